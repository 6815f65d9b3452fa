"""Spikes, the tank taken apart, support practice and typical slips, from records and milkings."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from detect.kinds import SupportState
from detect.results import SupportEvent
from store.health.importer import import_health
from store.history import Batch, History
from store.inquiry.daily import Period
from store.inquiry.decompose import decompose
from store.inquiry.spike import find_spike
from store.inquiry.support import read_support
from store.inquiry.typical import typical_events
from tests.store.drawn import PARLOR, SECOND_NS, T0_NS, air_event, milking

FIRST = date(2026, 1, 5)
DAY_NS = 86_400 * SECOND_NS
START_NS = int(datetime(2026, 1, 5, 6, tzinfo=UTC).timestamp()) * SECOND_NS


def bulk(history: History, folder: Path, logs: list[float]) -> None:
    lines = [f"{FIRST + timedelta(days=3 * n)},{round(np.exp(value))}" for n, value in enumerate(logs)]
    (folder / "b.csv").write_text("date,scc_cells_ml\n" + "\n".join(lines))
    import_health(history, [folder / "b.csv"])


def test_a_rise_of_the_bulk_tank_is_dated(history: History, tmp_path: Path) -> None:
    """From 200 to 300 thousand at the 25th sample: found within two samples."""
    rng = np.random.default_rng(1)
    logs = np.log(2e5) + rng.normal(0, 0.12, 50) + np.log(1.5) * (np.arange(50) >= 25)
    bulk(history, tmp_path, list(logs))
    spike = find_spike(history.reader())
    assert spike is not None
    assert spike.series == "bulk tank"
    assert abs((spike.day - FIRST).days - 75) <= 6
    assert spike.ratio == pytest.approx(1.5, rel=0.15)


@pytest.mark.parametrize("seed", range(5))
def test_a_wandering_bulk_tank_has_no_spike(seed: int, history: History, tmp_path: Path) -> None:
    """Serial correlation alone, or too few samples, is no rise."""
    noise = np.random.default_rng(seed).normal(0, 0.1, 60)
    logs = np.zeros(60)
    for n in range(1, 60):
        logs[n] = 0.5 * logs[n - 1] + noise[n]
    bulk(history, tmp_path, list(np.log(2e5) + logs))
    assert find_spike(history.reader()) is None


def herd(folder: Path, new_from: int) -> Path:
    """Write five test days of 200 cows, one in twenty newly high, one in four from a test day on."""
    lines = ["cow,date,scc_cells_ml,parity,dim,milk_kg"]
    for n in range(6):
        day = FIRST + timedelta(days=30 * n)
        every = 4 if n >= new_from else 20
        for cow in range(200):
            scc = 400_000 if n and (cow + 7 * n) % every == 0 else 50_000
            lines.append(f"{cow + 1},{day},{scc},{cow % 4 + 1},{40 + 30 * n},30")
    file = folder / "t.csv"
    file.write_text("\n".join(lines))
    return file


def test_more_new_infections_are_a_spike(history: History, tmp_path: Path) -> None:
    """Without bulk samples the test day from which new infections were more frequent is told."""
    import_health(history, [herd(tmp_path, 4)])
    spike = find_spike(history.reader())
    assert spike is not None
    assert spike.day == FIRST + timedelta(days=120)
    assert spike.series == "new infections by test day"


def test_steady_new_infections_are_no_spike(history: History, tmp_path: Path) -> None:
    """The same share at each test day is no rise."""
    import_health(history, [herd(tmp_path, 9)])
    assert find_spike(history.reader()) is None


def test_the_tank_is_taken_apart(history: History, tmp_path: Path) -> None:
    """Test days, classes before and in the period, and the cow that fills most of the tank."""
    file = herd(tmp_path, 9)
    file.write_text(file.read_text() + f"\nbig,{FIRST + timedelta(days=150)},9000000,3,200,40\n")
    import_health(history, [file])
    split = FIRST + timedelta(days=80)
    parts = decompose(history.reader(), Period(split, FIRST + timedelta(days=160)), Period(FIRST, split))
    assert parts is not None
    assert len(parts.test_days) == 6
    assert all(day.high == day.new + day.chronic + day.first_test_high for day in parts.test_days)
    first = next(each for each in parts.classes if each.name == "parity 1")
    assert (first.tested_before, first.tested) == (150, 150)
    cow, share = parts.tank[0]
    assert cow == "big"
    assert share == pytest.approx(9e6 * 40 / (9e6 * 40 + 30 * (190 * 5e4 + 10 * 4e5)), abs=0.01)


def test_habits_are_seen_to_change_with_a_training_day(history: History) -> None:
    """Half of the units carried before, nine in ten after; a cell of few milkings is hidden."""
    units = []
    for day in range(56):
        for n in range(10):
            poor = n % 2 if day < 28 else n == 0
            start = START_NS + day * DAY_NS + n * SECOND_NS
            units.append(
                milking(
                    100 * day + n, stall=n + 1, start_ns=start, end_ns=start + SECOND_NS,
                    unsupported_s=300.0 if poor else 0.0,
                )
            )  # fmt: skip
    units.append(milking(9999, stall=99, start_ns=START_NS, end_ns=START_NS + SECOND_NS))
    slack = SupportEvent(PARLOR, 1, None, START_NS, START_NS + 1, START_NS + 1, SupportState.SLACK, 0.2)
    history.commit(Batch(PARLOR, [*units, slack]))
    history.add_maintenance(at_ns=START_NS + 28 * DAY_NS, stalls=None, what="training day: supports")
    practice = read_support(history.reader(), PARLOR, Period(FIRST, FIRST + timedelta(days=56)))
    assert practice is not None
    assert practice.before is not None
    assert practice.after is not None
    assert (practice.before.carried, practice.after.carried) == pytest.approx((0.5, 0.9), abs=0.01)
    assert next(cell for cell in practice.stalls if cell.name == "99").carried is None
    assert [cell.name for cell in practice.shifts] == ["before noon"]


def test_without_any_support_event_nothing_is_told(history: History) -> None:
    """A parlor without arm sensors has no support practice."""
    history.commit(Batch(PARLOR, [milking(n, start_ns=START_NS + n) for n in range(30)]))
    assert read_support(history.reader(), PARLOR, Period(FIRST, FIRST + timedelta(days=9))) is None


def test_typical_slips_are_medians_by_phase(history: History) -> None:
    """Three slips in decline give their medians; a stall asked for is shown by itself."""
    history.commit(
        Batch(PARLOR, [air_event(n, stall=7, depth_kpa=d) for n, d in enumerate([3.0, 5.0, 10.0])])
    )
    day = datetime.fromtimestamp(T0_NS / 1e9, UTC).date()
    decline, stall = typical_events(history, PARLOR, Period(day, day + timedelta(days=1)), [7])
    assert (decline.name, decline.number, decline.depth_kpa, decline.length_s) == ("decline", 3, 5.0, 1.0)
    assert stall.name == "stall 7"
