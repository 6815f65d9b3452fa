"""An unreadable message that the broker sends again is stored once; a new one like it is stored."""

from __future__ import annotations

from pathlib import Path

from ingest.pipeline import Pipeline
from ingest.redelivery import WINDOW, Mark, Origin, Redelivery
from store.history import History
from tests.ingest.parlor import DECODER, CountingDetector, broken, flow, tables


def opened(history: History) -> Pipeline:
    return Pipeline.open(history=history, detector=CountingDetector(), decoder=DECODER)


def refused(path: Path) -> int:
    return len(tables(path)["quarantine"])


def test_an_unreadable_message_sent_again_is_stored_once(tmp_path: Path) -> None:
    """Committed but not acknowledged before a crash, it comes under the same identifier later."""
    path = tmp_path / "h.duckdb"
    with History.open(path) as history:
        opened(history).process([broken(0), flow(1, 0)], [Origin(1, 7), Origin(1, 8)])
    with History.open(path) as history:
        pipeline = opened(history)
        pipeline.process([broken(4), flow(1, 0)], [Origin(1, 7), Origin(1, 8)])
        pipeline.process([broken(9), broken(9)], [Origin(3, 7), Origin(3, 9)])
    assert refused(path) == 2


def test_the_same_rubbish_again_and_again_is_stored_each_time(tmp_path: Path) -> None:
    """On one connection nothing comes twice, even when the broker uses few identifiers over and over."""
    with History.open(tmp_path / "h.duckdb") as history:
        pipeline = opened(history)
        for i in range(6):
            pipeline.process([broken(i)], [Origin(1, i % 2)])
    assert refused(tmp_path / "h.duckdb") == 6


def test_a_receiver_clock_set_back_loses_no_refused_message(tmp_path: Path) -> None:
    """Messages from a broker are known by how they came, never by the receiver's clock."""
    path = tmp_path / "h.duckdb"
    with History.open(path) as history:
        opened(history).process([broken(9000)], [Origin(1, 1)])
    with History.open(path) as history:
        opened(history).process([broken(0)], [Origin(1, 2)])
    assert refused(path) == 2


def test_what_can_no_longer_come_again_is_forgotten() -> None:
    """After as many messages as a broker can have unacknowledged, an equal message is a new one."""
    mark = Mark(7, 1234)
    redelivery = Redelivery([mark])
    for mid in range(WINDOW + 1):
        redelivery.pass_by(Origin(1, mid))
    assert not redelivery.is_repeat(mark)
