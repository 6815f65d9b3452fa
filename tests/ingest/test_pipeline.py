"""The pipeline stores every reading's consequence once, whatever comes and wherever it is cut."""

from __future__ import annotations

import json
import random
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from detect.errors import StoreError
from ingest.pipeline import Committed, Pipeline, Start
from ingest.sequencer import Surplus
from ingest.wire import FlowPayload, Message
from store.history import History
from tests.ingest.parlor import (
    DECODER,
    PARLOR,
    ROOT,
    START_MS,
    CountingDetector,
    broken,
    flow,
    record,
    tables,
    vacuum,
)


def begin(history: History, *, version: int = 1) -> Pipeline:
    """Open a pipeline with a new counting detector."""
    return Pipeline.open(history=history, detector=CountingDetector(version), decoder=DECODER)


def run(path: Path, *batches: list[Message]) -> list[Committed]:
    """Process batches into a history, each with a pipeline of its own as after a restart, and finish."""
    committed = []
    for batch in batches:
        with History.open(path) as history:
            committed.append(begin(history).process(batch))
    with History.open(path) as history:
        committed.append(begin(history).finish())
    return committed


def disturbed(seconds: int) -> list[Message]:
    """Return a record with losses, copies, disorder and broken messages, always the same."""
    chance = random.Random(7)
    messages = [message for message in record(seconds) if chance.random() > 0.03]
    messages += chance.sample(messages, 10) + [broken(seq) for seq in range(0, 2 * seconds, 9)]
    return sorted(messages, key=lambda message: message.recv_ns + chance.randrange(10**9))


def test_a_record_is_read_to_its_end(tmp_path: Path) -> None:
    """Every message of a clean record is one reading, and its place is stored."""
    messages = record(10)
    [first, _] = run(tmp_path / "a.duckdb", messages)
    assert (first.messages, first.readings) == (len(messages), len(messages))
    assert (first.gaps, first.quarantined, dict(first.surplus), first.held) == ((), (), {}, 0)
    with History.open(tmp_path / "a.duckdb") as history:
        marks = history.watermarks(PARLOR)
    assert marks[f"{ROOT}/{PARLOR}/stall/1/vacuum"].seq == 19
    assert marks[f"{ROOT}/{PARLOR}/plant/vacuum"].t_ns == (START_MS + 9500) * 1_000_000
    assert len(marks) == 1 + 3 * 4


@settings(max_examples=8, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(cuts=st.lists(st.integers(0, 120), max_size=3).map(sorted))
def test_any_cut_gives_the_same_tables(tmp_path_factory: pytest.TempPathFactory, cuts: list[int]) -> None:
    """Cut anywhere, restart from the file: events and quarantine are identical, held frames included."""
    folder = tmp_path_factory.mktemp("cut")
    messages = disturbed(10)
    run(folder / "whole.duckdb", messages)
    bounds = [0, *cuts, len(messages)]
    run(folder / "cut.duckdb", *(messages[a:b] for a, b in pairwise(bounds)))
    assert tables(folder / "cut.duckdb") == tables(folder / "whole.duckdb")
    assert len(tables(folder / "whole.duckdb")["quarantine"]) == 3


def test_the_same_record_twice_adds_nothing(tmp_path: Path) -> None:
    """A second reading is surplus from first to last, broken messages included."""
    path, messages = tmp_path / "a.duckdb", disturbed(10)
    run(path, messages)
    once = tables(path)
    [again, _] = run(path, messages)
    assert tables(path) == once
    assert (again.readings, again.gaps, again.results) == (0, (), ())
    assert sum(again.surplus.values()) == len(messages)


def test_a_redelivered_batch_is_read_once(tmp_path: Path) -> None:
    """A broker that never saw the acknowledgements sends the batch again with later receive times."""
    path, messages = tmp_path / "a.duckdb", record(5)
    late = [Message(message.recv_ns + 60 * 10**9, message.topic, message.payload) for message in messages]
    [_, second, _] = run(path, messages, late)
    assert (second.readings, dict(second.surplus)) == (0, {Surplus.DUPLICATE: len(messages)})


def test_a_gap_is_told_and_read_on(tmp_path: Path) -> None:
    """A lost frame is a gap of one; all others are readings."""
    messages = [flow(1, seq) for seq in (0, 1, 3, 4, 5, 6, 7)]
    [first, _] = run(tmp_path / "a.duckdb", messages)
    [gap] = first.gaps
    assert (gap.first_seq, gap.last_seq, gap.address.stall) == (2, 2, 1)
    assert first.readings == 7
    assert first.moved[gap.topic].seq == 7


def test_a_held_frame_survives_a_restart(tmp_path: Path) -> None:
    """A frame that waits is stored, so that its message can be acknowledged; it is read when set free."""
    path = tmp_path / "a.duckdb"
    [first, second, _] = run(path, [flow(1, 0), flow(1, 2)], [flow(1, 1)])
    assert (first.readings, first.held, first.moved[flow(1, 0).topic].seq) == (1, 1, 0)
    assert (second.readings, second.held, second.moved[flow(1, 0).topic].seq) == (2, 0, 2)


@pytest.mark.parametrize(
    ("topic", "payload", "said"),
    [
        ("stall/1/flow", b"{no json", "Invalid JSON"),
        ("stall/1/flow", b'{"seq": 1, "t_ms": 1790000000000, "kg_min": "2"}', "valid number"),
        ("stall/1/flow", b'{"seq": 1, "t_ms": 1790000000000, "kg_min": NaN}', "finite number"),
        ("stall/1/vacuum", b'{"seq": 1, "t_ms": 1790000000000, "rate_hz": -100, "kpa": [40]}', "rate_hz"),
        ("stall/1/flow", b"[" + b"0," * 5_000_000 + b"0]", "payload too large"),
        ("stall/1/smell", b"{}", "unknown topic"),
        ("stall/5/flow", FlowPayload(seq=1, t_ms=START_MS, kg_min=1.0).to_bytes(), "unknown topic"),
        ("barn/1", b"{}", "unknown topic"),
        ("stall/1/\ud800", b"{}", "unknown topic"),
        ("stall/1/" + "x" * 70_000, b"{}", "unknown topic"),
        (
            "stall/1/flow",
            FlowPayload(seq=1, t_ms=4_000_000_000_000, kg_min=1.0).to_bytes(),
            "impossible time",
        ),
        ("stall/1/flow", FlowPayload(seq=1, t_ms=START_MS, kg_min=99.0).to_bytes(), "99 kg/min"),
        ("stall/1/vacuum", b'{"seq": 1, "t_ms": 1790000000000, "rate_hz": 100, "kpa": [400]}', "400 kPa"),
    ],
)
def test_bad_input_is_quarantined_and_the_rest_goes_on(
    tmp_path: Path, topic: str, payload: bytes, said: str
) -> None:
    """Each kind of bad input is one bounded row with its reason; readings before and after it count."""
    bad = Message(flow(2, 1).recv_ns, f"{ROOT}/{PARLOR}/{topic}", payload)
    [first, _] = run(tmp_path / "a.duckdb", [flow(2, 0), bad, flow(2, 1)])
    assert first.readings == 2
    [[_, stored_topic, stored_payload, reason]] = tables(tmp_path / "a.duckdb")["quarantine"]
    assert said in str(reason)
    assert isinstance(stored_payload, bytes)
    assert stored_payload == payload[:4096]
    assert len(str(stored_topic)) <= 512


def test_an_impossible_value_is_not_also_a_gap(tmp_path: Path) -> None:
    """A frame set aside for its numbers keeps its place: nothing waits for it."""
    wild = FlowPayload(seq=1, t_ms=START_MS + 1000, kg_min=99.0).to_bytes()
    messages = [flow(1, 0), Message(flow(1, 1).recv_ns, flow(1, 1).topic, wild), flow(1, 2)]
    [first, _] = run(tmp_path / "a.duckdb", messages)
    assert (first.readings, first.gaps, len(first.quarantined), first.held) == (2, (), 1, 0)


def test_unknown_fields_are_counted(tmp_path: Path) -> None:
    """A payload with fields of a later device is read, its extra fields are counted."""
    payload = json.dumps(json.loads(flow(1, 0).payload) | {"firmware": "9", "rssi": -61}).encode()
    [first, _] = run(tmp_path / "a.duckdb", [Message(flow(1, 0).recv_ns, flow(1, 0).topic, payload)])
    assert (first.readings, first.extra_fields) == (1, 2)


def test_observers_hear_only_of_what_is_durable(tmp_path: Path) -> None:
    """An observer sees what process returns; when the store fails it hears nothing."""
    heard: list[Committed] = []
    history = History.open(tmp_path / "a.duckdb")
    pipeline = begin(history)
    pipeline.observe(heard.append)
    assert heard == [pipeline.process([flow(1, 0)])]
    history.close()
    with pytest.raises(StoreError):
        pipeline.process([flow(1, 1)])
    assert len(heard) == 1


def test_a_pipeline_says_how_it_began(tmp_path: Path) -> None:
    """Fresh on a new file, resumed on its own state, reset when the detector has changed."""
    starts = []
    for version in (1, 1, 2):
        with History.open(tmp_path / "a.duckdb") as history:
            pipeline = begin(history, version=version)
            starts.append(pipeline.start)
            pipeline.process([vacuum(1, 0)])
    assert starts == [Start.FRESH, Start.RESUMED, Start.RESET]


def test_every_missing_frame_is_in_the_ledger(tmp_path: Path) -> None:
    """Frames that never came are rows of ``data_gap`` with their numbers and times, wherever cut."""
    lost = {(1, 5), (1, 6), (2, 30)}
    messages = [vacuum(stall, seq) for seq in range(60) for stall in (1, 2) if (stall, seq) not in lost]
    run(tmp_path / "h.duckdb", messages[:12], messages[12:70], messages[70:])
    with History.open(tmp_path / "h.duckdb", read_only=True) as history:
        reader = history.reader()
        told = reader.execute(
            "SELECT parlor, stall, stream, boot, first_seq, last_seq, frames, epoch_ms(start_at), "
            "epoch_ms(end_at) FROM data_gap ORDER BY stall"
        ).fetchall()
    assert told == [
        (PARLOR, 1, "vacuum", None, 5, 6, 2, START_MS + 2000, START_MS + 3500),
        (PARLOR, 2, "vacuum", None, 30, 30, 1, START_MS + 14_500, START_MS + 15_500),
    ]


def test_an_impossible_number_is_set_aside_once(tmp_path: Path) -> None:
    """A number far from all others is refused with its reason, and the topic goes on."""
    good = vacuum(1, 1)
    far = Message(good.recv_ns, good.topic, good.payload.replace(b":1,", b":99999999999,", 1))
    committed = run(tmp_path / "h.duckdb", [vacuum(1, 0), far, vacuum(1, 1)], [vacuum(1, 2)])
    assert sum(c.readings for c in committed) == 3
    [row] = tables(tmp_path / "h.duckdb")["quarantine"]
    assert "impossible sequence number" in str(row[3])
