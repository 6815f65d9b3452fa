"""A replay goes the live path, in bounded batches, and can be stopped and taken up."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from itertools import accumulate, pairwise
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from detect.errors import InputError
from ingest.capture import CaptureWriter, read_parts
from ingest.messages import Messages
from ingest.pipeline import Committed, Pipeline
from ingest.replay import in_pieces, replay
from ingest.wire import Message
from store.history import History
from tests.ingest.parlor import DECODER, CountingDetector, broken, flow, record, tables

S = 10**9


def replayed(path: Path, parts: Iterable[Messages]) -> list[Committed]:
    """Replay a record into a history and return what was committed."""
    heard: list[Committed] = []
    with History.open(path) as history:
        pipeline = Pipeline.open(history=history, detector=CountingDetector(), decoder=DECODER)
        pipeline.observe(heard.append)
        replay(parts, pipeline)
    return heard


@given(sizes=st.lists(st.integers(0, 30), max_size=8), most=st.integers(1, 10))
def test_pieces_are_bounded_and_lose_nothing(sizes: list[int], most: int) -> None:
    """However the record comes, the pieces joined are the record, and none is too long."""
    messages = [Message(t * S, "t", b"") for t in range(sum(sizes))]
    ends = list(accumulate(sizes, initial=0))
    pieces = list(in_pieces([Messages.of(messages[a:b]) for a, b in pairwise(ends)], most=most))
    assert [message for piece in pieces for message in piece] == messages
    assert all(0 < len(piece) <= most for piece in pieces)


def test_a_quarter_of_an_hour_shares_a_commit(tmp_path: Path) -> None:
    """Fifty minutes and a bit of one reading a second are three commits and one that closes the record."""
    messages = [flow(1, seq) for seq in range(3080)]
    heard = replayed(tmp_path / "a.duckdb", in_pieces([Messages.of(messages)], most=100))
    assert [committed.readings for committed in heard] == [1000, 1000, 1000, 80]


def test_refused_messages_do_not_pile_up(tmp_path: Path) -> None:
    """What is refused is committed long before a quarter of an hour is over: each holds its payload."""
    messages = [replace(broken(seq), recv_ns=1 + seq) for seq in range(5000)]
    heard = replayed(tmp_path / "a.duckdb", in_pieces([Messages.of(messages)], most=100))
    assert max(len(committed.quarantined) for committed in heard) == 1000
    assert sum(len(committed.quarantined) for committed in heard) == len(messages)


def test_progress_is_told_after_each_piece(tmp_path: Path) -> None:
    """The number of messages read grows to the whole."""
    told: list[int] = []
    messages = record(250)
    with History.open(tmp_path / "a.duckdb") as history:
        pipeline = Pipeline.open(history=history, detector=CountingDetector(), decoder=DECODER)
        total = replay(in_pieces([Messages.of(messages)], most=1000), pipeline, progress=told.append)
    assert told == [*range(1000, total, 1000), total]
    assert total == len(messages)


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
    """What stands before the fault is stored; a second run of the whole gives the tables of one run."""
    messages = record(400)
    with pytest.raises(InputError, match="line 4711"):
        replayed(tmp_path / "a.duckdb", cut_short(messages, 3000))
    assert len(tables(tmp_path / "a.duckdb")["condition_event"]) > 100
    replayed(tmp_path / "a.duckdb", [Messages.of(messages)])
    replayed(tmp_path / "whole.duckdb", [Messages.of(messages)])
    assert tables(tmp_path / "a.duckdb") == tables(tmp_path / "whole.duckdb")
