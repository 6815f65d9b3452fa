"""Whatever devices and clocks do: cut anywhere and begun again, the tables are those of one run."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ingest.pipeline import Pipeline
from ingest.redelivery import Origin
from ingest.wire import Message
from store.history import History
from tests.ingest.parlor import DECODER, CountingDetector, broken, record, tables

S = 10**9
HOUR_MS = 3_600_000
Twist = Callable[[list[Message]], list[Message]]


def of_stall(number: int, message: Message) -> bool:
    return f"/stall/{number}/" in message.topic


def changed(message: Message, **fields: object) -> Message:
    return replace(message, payload=json.dumps(json.loads(message.payload) | fields).encode())


def number(message: Message) -> int:
    return int(json.loads(message.payload)["seq"])


def clock_jump(messages: list[Message], jump_ms: int) -> list[Message]:
    """Let the clock of stall 2 jump in the middle third."""
    third = len(messages) // 3
    return [
        changed(m, t_ms=json.loads(m.payload)["t_ms"] + jump_ms)
        if of_stall(2, m) and third < i < 2 * third
        else m
        for i, m in enumerate(messages)
    ]


def restarts(messages: list[Message], boots: tuple[str | None, str | None]) -> list[Message]:
    """Let the device of stall 2 restart in the middle."""
    middle, first = len(messages) // 2, {}
    out = []
    for i, message in enumerate(messages):
        if not of_stall(2, message):
            out.append(message)
        elif i < middle:
            out.append(changed(message, boot=boots[0]))
        else:
            begin = first.setdefault(message.topic, number(message))
            out.append(changed(message, boot=boots[1], seq=number(message) - begin))
    return out


def silent_hour(messages: list[Message]) -> list[Message]:
    """Let stall 2 say nothing in the middle third, and the record last two hours."""
    third = len(messages) // 3
    first_ns = messages[0].recv_ns
    slow = [
        replace(
            changed(m, t_ms=(first_ns + (m.recv_ns - first_ns) * 120) // 1_000_000),
            recv_ns=first_ns + (m.recv_ns - first_ns) * 120,
        )
        for m in messages
    ]
    return [m for i, m in enumerate(slow) if not (of_stall(2, m) and third < i < 2 * third)]


def receiver_clock_back(messages: list[Message]) -> list[Message]:
    """Set the receiver's clock back an hour in the middle, as a careless zone change would."""
    middle = len(messages) // 2
    return [replace(m, recv_ns=m.recv_ns - 3600 * S) if i >= middle else m for i, m in enumerate(messages)]


def untidy(messages: list[Message]) -> list[Message]:
    """Send each tenth message twice, hold each seventh up, lose each hundredth, mix rubbish in."""
    out: list[Message] = []
    held: list[Message] = []
    for i, message in enumerate(messages):
        if i % 100 == 50:
            continue
        (held if i % 7 == 3 else out).append(message)
        if i % 10 == 1:
            out.append(message)
        if i % 25 == 1:
            out += [*held, replace(broken(0), recv_ns=message.recv_ns)]
            held = []
    return out + held


TWISTS: dict[str, Twist] = {
    "plain": lambda messages: messages,
    "clock forward": lambda messages: clock_jump(messages, HOUR_MS),
    "clock back": lambda messages: clock_jump(messages, -HOUR_MS),
    "restart with marks": lambda messages: restarts(messages, ("a", "b")),
    "restart without marks": lambda messages: restarts(messages, (None, None)),
    "restart into the past": lambda messages: clock_jump(restarts(messages, ("a", "b")), -30 * HOUR_MS),
    "silent hour": silent_hour,
    "receiver's clock back": receiver_clock_back,
    "untidy": untidy,
    "untidy restart": lambda messages: untidy(restarts(messages, ("a", "b"))),
}
LOSSLESS = [name for name in TWISTS if "untidy" not in name and "silent" not in name]


def served(path: Path, messages: list[Message], cuts: list[int]) -> None:
    """Commit in batches of 40; at each cut lose memory, and be sent the last batch again."""
    begin, connection = 0, 1
    for end in [*sorted(cuts), len(messages)]:
        with History.open(path) as history:
            pipeline = Pipeline.open(history=history, detector=CountingDetector(), decoder=DECODER)
            for at in range(max(0, begin - 40), end, 40):
                stop = min(at + 40, end)
                origins = [Origin(connection, mid) for mid in range(at, stop)]
                pipeline.process(messages[at:stop], origins)
        begin, connection = end, connection + 2


def gaps(path: Path) -> list[tuple[object, ...]]:
    with History.open(path, read_only=True) as history:
        reader = history.reader()
        return reader.execute("SELECT stall, stream, first_seq, frames FROM data_gap ORDER BY ALL").fetchall()


def everything(path: Path) -> dict[str, object]:
    kept = tables(path)
    return {
        "condition_event": kept["condition_event"],
        "quarantine": [row[1:] for row in kept["quarantine"]],
        "data_gap": gaps(path),
    }


@pytest.mark.parametrize("name", TWISTS)
@settings(max_examples=2, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_a_cut_changes_no_row(
    name: str, data: st.DataObject, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """One run and a run in pieces, with the last batch sent again after each cut, store the same."""
    messages = TWISTS[name](record(20))
    cuts = data.draw(st.lists(st.integers(1, len(messages) - 1), max_size=4, unique=True))
    folder = tmp_path_factory.mktemp("cuts")
    served(folder / "whole.duckdb", messages, [])
    served(folder / "cut.duckdb", messages, cuts)
    assert everything(folder / "cut.duckdb") == everything(folder / "whole.duckdb")


@pytest.mark.parametrize("name", LOSSLESS)
def test_odd_clocks_and_restarts_lose_nothing(name: str, tmp_path: Path) -> None:
    """Where every frame came, each is read once and no gap is told, whatever the clocks say."""
    messages = TWISTS[name](record(20))
    with History.open(tmp_path / "h.duckdb") as history:
        pipeline = Pipeline.open(history=history, detector=CountingDetector(), decoder=DECODER)
        committed = pipeline.process(messages)
    assert committed.readings == len(messages)
    assert gaps(tmp_path / "h.duckdb") == []


def test_a_silent_hour_is_a_gap_of_its_stall_alone(tmp_path: Path) -> None:
    """Every frame not heard is in the ledger, with the hour in which it is missing."""
    messages = TWISTS["silent hour"](record(20))
    with History.open(tmp_path / "h.duckdb") as history:
        pipeline = Pipeline.open(history=history, detector=CountingDetector(), decoder=DECODER)
        committed = pipeline.process(messages)
    missing = len(record(20)) - len(messages)
    assert committed.readings == len(messages)
    assert missing > 10
    assert {row[0] for row in gaps(tmp_path / "h.duckdb")} == {2}
    assert sum(int(str(row[3])) for row in gaps(tmp_path / "h.duckdb")) == missing
