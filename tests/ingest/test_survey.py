"""A survey finds out whose capture it is and how much is in it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from detect.errors import InputError
from ingest.capture import CaptureWriter
from ingest.survey import Survey, survey
from ingest.wire import Message
from tests.ingest.parlor import record


def write(path: Path, messages: list[Message]) -> None:
    """Write a capture."""
    with CaptureWriter(path) as writer:
        for message in messages:
            writer.write(message)


def test_a_capture_tells_its_parlor(tmp_path: Path) -> None:
    """Root, parlor, highest stall, number and times come from the topics."""
    messages = record(5)
    write(tmp_path / "day.parquet", messages)
    assert survey(tmp_path / "day.parquet") == Survey(
        messages=len(messages),
        root="milking",
        parlor="willowmere",
        stalls=4,
        others=(),
        first_recv_ns=messages[0].recv_ns,
        last_recv_ns=messages[-1].recv_ns,
    )


def test_every_form_tells_the_same(tmp_path: Path) -> None:
    """JSON lines and a folder of parts give the figures of the single file, at their own time resolution."""
    messages = record(3)
    write(tmp_path / "single.parquet", messages)
    write(tmp_path / "parts", messages[:10])
    write(tmp_path / "parts", messages[10:])
    lines = [json.dumps({"ts": m.recv_ns, "topic": m.topic, "payload": m.payload.decode()}) for m in messages]
    (tmp_path / "day.jsonl").write_text("\n".join(lines) + "\n")
    single = survey(tmp_path / "single.parquet")
    assert survey(tmp_path / "parts") == single
    assert survey(tmp_path / "day.jsonl") == single


def test_the_parlor_with_the_most_messages_is_meant(tmp_path: Path) -> None:
    """Other parlors are named; topics of no parlor are counted only."""
    other = [Message(1, "farm/milking/eastbarn/stall/77/vacuum", b"{}")] * 3
    stray = [Message(2, "$SYS/uptime", b"9")]
    write(tmp_path / "day.parquet", record(3) + other + stray)
    found = survey(tmp_path / "day.parquet")
    assert (found.parlor, found.stalls, found.others) == ("willowmere", 4, ("eastbarn",))
    assert (found.messages, found.first_recv_ns) == (len(record(3)) + 4, 1)


def test_a_root_may_have_several_levels(tmp_path: Path) -> None:
    """What stands before the parlor is the root, however deep."""
    write(tmp_path / "day.parquet", [Message(1, "farm/milking/eastbarn/plant/vacuum", b"{}")])
    found = survey(tmp_path / "day.parquet")
    assert (found.root, found.parlor, found.stalls) == ("farm/milking", "eastbarn", 1)


def test_a_capture_of_no_parlor_is_the_users_error(tmp_path: Path) -> None:
    """Nothing to replay is said in one line."""
    write(tmp_path / "day.parquet", [Message(1, "weather/rain", b"{}")])
    with pytest.raises(InputError, match=r"day\.parquet: no message of any parlor among 1"):
        survey(tmp_path / "day.parquet")
