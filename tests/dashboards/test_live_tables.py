"""The figures beside the lanes come from the history and compare like with like."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from dashboards.live.day import day_figures
from dashboards.live.stall import stall_record
from detect.kinds import Condition
from detect.results import ConditionEvent
from store.batch import Batch
from store.history import History
from tests.dashboards.stage import S, milking, slip

NOW = datetime(2026, 5, 20, 10, 0, tzinfo=UTC)
NOW_NS = round(NOW.timestamp()) * S
DAY_NS = 86_400 * S


@pytest.fixture
def history(tmp_path: Path) -> Iterator[History]:
    with History.open(tmp_path / "h.duckdb") as opened:
        yield opened


def test_today_is_held_against_the_same_hours_of_earlier_days(history: History) -> None:
    """A milking later in the day than now, of another parlor, or of over 14 days ago counts nowhere."""
    hour = 3600 * S
    rows = [milking(k, NOW_NS - hour, slips=k % 2) for k in range(1, 5)]
    for day, count in ((1, 2), (2, 4), (3, 6), (16, 50)):
        rows += [milking(k, NOW_NS - day * DAY_NS - hour, slips=1) for k in range(1, count + 1)]
        rows += [milking(k, NOW_NS - day * DAY_NS + hour, slips=1) for k in range(1, 9)]
    rows.append(milking(9, NOW_NS - hour, slips=9, parlor="elsewhere"))
    rows.append(milking(10, NOW_NS - hour, slips=9, complete=False))
    history.commit(Batch("willowmere", results=rows))
    figures = day_figures(history, "willowmere", now_ns=NOW_NS, offset_s=0)
    assert figures["days"] == 3
    assert figures["today"] == {
        "milkings": 5.0,
        "milk_kg": 50.0,
        "slips_per_100": 50.0,
        "fall_offs": 5.0,
        "unsupported_ratio": 0.1,
    }
    assert figures["usual"]["milkings"] == 4.0
    assert figures["usual"]["slips_per_100"] == 100.0


def test_the_day_begins_at_the_farms_own_midnight(history: History) -> None:
    """Seen from a clock 11 h ahead of UTC it is evening, and yesterday's evening counts for today."""
    history.commit(Batch("willowmere", results=[milking(1, NOW_NS - 15 * 3600 * S, slips=0)]))
    assert day_figures(history, "willowmere", now_ns=NOW_NS, offset_s=0)["today"]["milkings"] == 0
    assert day_figures(history, "willowmere", now_ns=NOW_NS, offset_s=11 * 3600)["today"]["milkings"] == 1


def test_without_any_history_nothing_is_made_up(history: History) -> None:
    """No day to compare with is said, no rate of nothing is given."""
    figures = day_figures(history, "willowmere", now_ns=NOW_NS, offset_s=0)
    assert figures["days"] == 0
    assert figures["today"]["slips_per_100"] is None
    assert set(figures["usual"].values()) == {None}


def test_a_stalls_record_is_its_own(history: History) -> None:
    """Events newest first, its conditions, its days; nothing of the stall beside it."""
    told = ConditionEvent("willowmere", 3, NOW_NS, None, NOW_NS, Condition.VENT_BLOCKED, "decay 5.6 s")
    history.commit(
        Batch(
            "willowmere",
            results=[
                *(slip(3, NOW_NS - k * 10 * S) for k in range(3)),
                slip(4, NOW_NS),
                told,
                replace(told, stall=4),
                milking(3, NOW_NS - 3600 * S, slips=2),
                milking(4, NOW_NS - 3600 * S, slips=2),
            ],
        )
    )
    record = stall_record(history, "willowmere", 3, now_ns=NOW_NS)
    assert [event["start"] for event in record["events"]] == [
        (NOW_NS - k * 10 * S) // 1_000_000 for k in range(3)
    ]
    assert [c["evidence"] for c in record["conditions"]] == ["decay 5.6 s"]
    assert [(d["day"], d["slips_per_100"]) for d in record["days"]] == [("2026-05-20", 200.0)]
