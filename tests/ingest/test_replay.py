"""A replay goes the live path, in bounded batches, and can be stopped and taken up."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from detect.errors import InputError
from ingest.capture import CaptureWriter, read_parts
from ingest.messages import Messages
from ingest.pipeline import Committed, Pipeline
from ingest.replay import in_batches, replay
from ingest.wire import Message
from store.history import History
from tests.ingest.parlor import DECODER, CountingDetector, record, tables

S = 10**9


def replayed(path: Path, parts: Iterable[Messages]) -> list[Committed]:
    """Replay a record into a history and return what was committed."""
    heard: list[Committed] = []
    with History.open(path) as history:
        pipeline = Pipeline.open(history=history, detector=CountingDetector(), decoder=DECODER)
        pipeline.observe(heard.append)
        replay(parts, pipeline)
    return heard


@given(steps=st.lists(st.integers(-2, 30), max_size=60), most=st.integers(1, 10), part=st.integers(1, 70))
def test_batches_are_bounded_and_lose_nothing(steps: list[int], most: int, part: int) -> None:
    """Whatever the receive times, the batches joined are the record, and none is too long."""
    times = [sum(steps[: i + 1]) for i in range(len(steps))]
    messages = [Message(t * S, "t", b"") for t in times]
    parts = [Messages.of(messages[at : at + part]) for at in range(0, len(messages), part)]
    batches = list(in_batches(parts, span_ns=60 * S, most=most))
    assert [message for batch in batches for message in batch] == messages
    assert all(0 < len(batch) <= most for batch in batches)
    assert all(message.recv_ns - batch[0].recv_ns < 60 * S for batch in batches for message in batch)


def test_two_minutes_share_a_commit(tmp_path: Path) -> None:
    """Six minutes and a bit are four commits, and one that closes the record."""
    heard = replayed(tmp_path / "a.duckdb", [Messages.of(record(380))])
    assert len(heard) == 5
    assert sum(committed.readings for committed in heard) == len(record(380))


def test_progress_is_told_after_each_commit(tmp_path: Path) -> None:
    """The number of messages read grows to the whole."""
    told: list[int] = []
    with History.open(tmp_path / "a.duckdb") as history:
        pipeline = Pipeline.open(history=history, detector=CountingDetector(), decoder=DECODER)
        total = replay([Messages.of(record(250))], pipeline, progress=told.append)
    assert told == sorted(set(told))
    assert (len(told), told[-1], total) == (3, len(record(250)), len(record(250)))


def test_the_same_capture_twice_adds_nothing(tmp_path: Path) -> None:
    """A capture file replayed into the same history again changes no table."""
    with CaptureWriter(tmp_path / "day.parquet") as writer:
        for message in record(70):
            writer.write(message)
    replayed(tmp_path / "a.duckdb", read_parts(tmp_path / "day.parquet"))
    once = tables(tmp_path / "a.duckdb")
    again = replayed(tmp_path / "a.duckdb", read_parts(tmp_path / "day.parquet"))
    assert tables(tmp_path / "a.duckdb") == once
    assert sum(committed.readings for committed in again) == 0


def cut_short(messages: list[Message], after: int) -> Iterator[Messages]:
    """Give a record that cannot be read on after a while."""
    yield Messages.of(messages[:after])
    raise InputError("line 4711: not JSON", where="day.jsonl")


def test_a_replay_that_was_stopped_is_taken_up(tmp_path: Path) -> None:
    """After a stop in the middle, a second run of the whole capture gives the tables of one run."""
    messages = record(400)
    with pytest.raises(InputError, match="line 4711"):
        replayed(tmp_path / "a.duckdb", cut_short(messages, 3000))
    replayed(tmp_path / "a.duckdb", [Messages.of(messages)])
    replayed(tmp_path / "whole.duckdb", [Messages.of(messages)])
    assert tables(tmp_path / "a.duckdb") == tables(tmp_path / "whole.duckdb")
