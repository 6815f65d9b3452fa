"""What the outside sees of a service is true, bounded and safe from any thread."""

from __future__ import annotations

import threading
from pathlib import Path

import pytest
from prometheus_client import CollectorRegistry

from dashboards.heard import SILENCE_S
from dashboards.metrics import ServiceMetrics
from dashboards.service import ServiceView
from detect.errors import InputError, StoreError
from ingest.config import Config
from ingest.pipeline import Committed
from store.batch import Batch, Quarantined
from tests.dashboards.clock import Clock, S


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def view(tmp_path: Path, clock: Clock) -> ServiceView:
    config = Config.model_validate(
        {"parlor": {"name": "willowmere", "stalls": 2}, "store": {"path": str(tmp_path / "h.duckdb")}}
    )
    metrics = ServiceMetrics(CollectorRegistry(), stalls=2, detector="1+a")
    return ServiceView(config, metrics, clock_ns=clock)


def committed(newest_recv_ns: int) -> Committed:
    return Committed(3, 3, 0, {}, (), (), (), {}, 0, newest_recv_ns)


def test_no_data_makes_the_service_unhealthy_and_a_message_heals_it(view: ServiceView, clock: Clock) -> None:
    """Before the first data, and half a minute after the last, health says so."""
    assert view.complaints() == ["no data yet, 0 s after the start"]
    view.observe(committed(clock.now_ns))
    assert view.complaints() == []
    clock.now_ns += round((SILENCE_S + 5) * S)
    assert view.complaints() == ["no data has been stored for 35 s"]
    view.observe(committed(clock.now_ns))
    assert view.complaints() == []
    assert view.messages == 6


def test_a_failure_stays_a_complaint(view: ServiceView, clock: Clock) -> None:
    """What failed for good is told until the process ends."""
    view.fail("the store is full")
    view.observe(committed(clock.now_ns))
    assert view.complaints() == ["the store is full"]


def test_questions_see_what_is_committed(view: ServiceView) -> None:
    """A question from another thread sees committed rows, as plain JSON values."""
    with view.open_history() as history:
        history.commit(Batch("willowmere", quarantined=[Quarantined(5 * S, "t", b"\xff{", "broken")]))
        answers = []
        asker = threading.Thread(
            target=lambda: answers.append(
                view.query("SELECT recv_at, payload, 'NaN'::DOUBLE FROM quarantine", [])
            )
        )
        asker.start()
        asker.join()
    assert answers[0]["rows"] == [["1970-01-01 00:00:05", "\\xff{", None]]
    assert view.metrics().count(b"quietclaw_commit_seconds_count 1.0") == 1


def test_questions_need_an_open_history_and_bound_parameters_work(view: ServiceView) -> None:
    """Before the history is open the caller is told so; then parameters are bound, not pasted."""
    with pytest.raises(StoreError, match="not open yet"):
        view.query("SELECT 1", [])
    with view.open_history():
        assert view.query("SELECT ? || '!' AS said", ["x'; DROP TABLE milking"])["rows"] == [
            ["x'; DROP TABLE milking!"]
        ]
        with pytest.raises(InputError):
            view.query("DELETE FROM milking", [])


def test_notes_come_from_another_thread(view: ServiceView) -> None:
    """A note through the service is stored while the pipeline may commit."""
    entry = {"at_ns": 5 * S, "stalls": [1, 2], "what": "liners changed", "note": None}
    with view.open_history() as history:
        history.commit(Batch("willowmere"))
        noter = threading.Thread(target=view.note, args=(entry,))
        noter.start()
        history.commit(Batch("willowmere"))
        noter.join()
        assert view.query("SELECT stall FROM maintenance ORDER BY stall", [])["rows"] == [[1], [2]]


@pytest.mark.parametrize(
    "entry",
    [
        {},
        {"at_ns": "5", "what": "x"},
        {"at_ns": 5, "what": 3},
        {"at_ns": 5, "what": "x", "stalls": "1"},
        {"at_ns": 5, "what": "x", "stalls": [True]},
        {"at_ns": 5, "what": " ", "stalls": None},
    ],
)
def test_a_wrong_note_is_refused(view: ServiceView, entry: dict[str, object]) -> None:
    """Nothing half-understood is stored."""
    with view.open_history(), pytest.raises(InputError):
        view.note(entry)
