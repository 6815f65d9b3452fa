"""A capture gives back what was written, in every form it may have."""

from __future__ import annotations

import gzip
import json
from collections.abc import Callable
from pathlib import Path

import polars as pl
import pytest
import zstandard
from hypothesis import given
from hypothesis import strategies as st

from detect.errors import InputError
from ingest.capture import PART_BYTES, CaptureWriter, read_capture
from ingest.wire import Message

T_NS = 1_790_000_000_123_456_000
MESSAGES = [
    Message(T_NS + i * 1000, f"milking/willowmere/stall/{i % 3 + 1}/flow", b'{"seq":%d,"kg_min":2.5}' % i)
    for i in range(25)
]


def write(path: Path, messages: list[Message]) -> None:
    """Write a capture and close it."""
    with CaptureWriter(path) as writer:
        for message in messages:
            writer.write(message)


@pytest.mark.parametrize("name", ["day.parquet", "day"])
def test_a_written_capture_is_read_back(tmp_path: Path, name: str) -> None:
    """One file and a folder give the same messages in the same order."""
    write(tmp_path / name, MESSAGES)
    assert list(read_capture(tmp_path / name)) == MESSAGES


def test_a_single_file_has_the_columns_of_the_contract(tmp_path: Path) -> None:
    """Any Parquet reader finds recv_ns, topic and payload, and no left-over beside the file."""
    write(tmp_path / "day.parquet", MESSAGES)
    assert dict(pl.read_parquet_schema(tmp_path / "day.parquet")) == {
        "recv_ns": pl.Int64,
        "topic": pl.String,
        "payload": pl.Binary,
    }
    assert [entry.name for entry in tmp_path.iterdir()] == ["day.parquet"]


def test_large_messages_do_not_pile_up_in_memory(tmp_path: Path) -> None:
    """Payload bytes bound a part as the number of messages does."""
    large = [Message(T_NS + i, "milking/willowmere/stall/1/flow", bytes(PART_BYTES // 2)) for i in range(5)]
    with CaptureWriter(tmp_path / "day") as writer:
        for message in large:
            writer.write(message)
        assert len(list((tmp_path / "day").glob("*.parquet"))) == 2
    assert list(read_capture(tmp_path / "day")) == large


def test_a_crash_keeps_the_parts(tmp_path: Path) -> None:
    """What was flushed before a crash is a readable folder."""
    writer = CaptureWriter(tmp_path / "day.parquet")
    writer.write(MESSAGES[0])
    writer.flush()
    writer.write(MESSAGES[1])
    assert list(read_capture(tmp_path / "day.parquet.parts")) == MESSAGES[:1]


def test_a_folder_is_continued(tmp_path: Path) -> None:
    """A service that starts again adds to its folder."""
    write(tmp_path / "day", MESSAGES[:10])
    write(tmp_path / "day", MESSAGES[10:])
    assert list(read_capture(tmp_path / "day")) == MESSAGES


def test_a_single_file_is_never_overwritten(tmp_path: Path) -> None:
    """Writing to an existing file is the user's error."""
    write(tmp_path / "day.parquet", MESSAGES)
    with pytest.raises(InputError, match="exists already"):
        CaptureWriter(tmp_path / "day.parquet")


def test_an_empty_capture_is_a_capture(tmp_path: Path) -> None:
    """A capture of nothing reads as nothing."""
    write(tmp_path / "day.parquet", [])
    assert list(read_capture(tmp_path / "day.parquet")) == []


def test_many_rows_are_read_in_order(tmp_path: Path) -> None:
    """Reading by slices neither loses nor repeats a row at its seams."""
    frame = pl.DataFrame({"recv_ns": range(40_001)}).with_columns(topic=pl.lit("t"), payload=pl.lit(b"{}"))
    frame.write_parquet(tmp_path / "day.parquet")
    assert [message.recv_ns for message in read_capture(tmp_path / "day.parquet")] == list(range(40_001))


def line(message: Message, *, payload: object) -> bytes:
    """Return a message as a subscriber client prints it."""
    stamp = {"tst": "2026-09-21T14:13:20.123456+0000", "topic": message.topic, "qos": 1}
    return (
        json.dumps(stamp | {"retain": 0, "payloadlen": len(message.payload), "payload": payload}).encode()
        + b"\n"
    )


@pytest.mark.parametrize("pack", [bytes, gzip.compress, zstandard.ZstdCompressor().compress])
@pytest.mark.parametrize("as_text", [bytes.decode, json.loads])
def test_json_lines_are_read_in_every_packing(
    tmp_path: Path, pack: Callable[[bytes], bytes], as_text: Callable[[bytes], object]
) -> None:
    """Plain, gzip and zstd, payload as text or as JSON: the messages are the same."""
    lines = b"".join(line(message, payload=as_text(message.payload)) for message in MESSAGES)
    (tmp_path / "capture.jsonl").write_bytes(pack(lines))
    read_back = list(read_capture(tmp_path / "capture.jsonl"))
    assert [(m.topic, m.payload) for m in read_back] == [(m.topic, m.payload) for m in MESSAGES]
    assert {m.recv_ns for m in read_back} == {1_790_000_000_123_456_000}


def test_packed_pieces_put_together_are_read_to_the_end(tmp_path: Path) -> None:
    """Several zstd frames one after another, as rotated files joined, are one capture."""
    pieces = [line(message, payload="{}") for message in MESSAGES]
    packed = b"".join(zstandard.ZstdCompressor().compress(piece) for piece in pieces)
    (tmp_path / "capture.jsonl.zst").write_bytes(packed)
    assert len(list(read_capture(tmp_path / "capture.jsonl.zst"))) == len(MESSAGES)


@pytest.mark.parametrize(
    ("received", "recv_ns"),
    [
        ({"tst": "2026-09-21T15:13:20.500000+0100"}, 1_790_000_000_500_000_000),
        ({"tst": "2026-09-21T14:13:20Z"}, 1_790_000_000_000_000_000),
        ({"tst": "2026-09-21T14:13:20"}, 1_790_000_000_000_000_000),
        ({"ts": 1_790_000_000}, 1_790_000_000_000_000_000),
        ({"ts": 1_790_000_000.25}, 1_790_000_000_250_000_000),
        ({"ts": 1_790_000_000_123}, 1_790_000_000_123_000_000),
        ({"ts": 1_790_000_000_123_456}, 1_790_000_000_123_456_000),
        ({"ts": 1_790_000_000_123_456_789}, 1_790_000_000_123_456_789),
    ],
)
def test_receive_times_of_all_forms_are_understood(
    tmp_path: Path, received: dict[str, object], recv_ns: int
) -> None:
    """ISO times with any zone, and numbers in any unit of an epoch."""
    (tmp_path / "a.jsonl").write_text(json.dumps(received | {"topic": "t", "payload": "x"}) + "\n")
    assert list(read_capture(tmp_path / "a.jsonl")) == [Message(recv_ns, "t", b"x")]


def test_a_folder_is_read_in_name_order_whatever_its_formats(tmp_path: Path) -> None:
    """Parquet and JSON lines may stand side by side; other files are left alone."""
    write(tmp_path / "02.parquet", MESSAGES[1:2])
    (tmp_path / "01.jsonl").write_bytes(line(MESSAGES[0], payload="first"))
    (tmp_path / "03.ndjson.gz").write_bytes(gzip.compress(line(MESSAGES[2], payload="last")))
    (tmp_path / "notes.txt").write_text("not a capture")
    payloads = [message.payload for message in read_capture(tmp_path)]
    assert payloads == [b"first", MESSAGES[1].payload, b"last"]


def test_a_last_line_cut_short_is_left_out(tmp_path: Path) -> None:
    """A subscriber stopped while writing leaves half a line."""
    whole = line(MESSAGES[0], payload="{}")
    (tmp_path / "a.jsonl").write_bytes(whole + whole[:40])
    assert len(list(read_capture(tmp_path / "a.jsonl"))) == 1


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"not json\n{}\n", "line 1: not JSON"),
        (b'\n{"topic":"t","payload":"x"}\n', "line 2: no JSON object with topic and receive time"),
        (b'{"ts":1,"payload":"x"}\n', "line 1: no JSON object with topic and receive time"),
        (b'{"ts":true,"topic":"t"}\n', "line 1: receive time True"),
        (b'{"tst":"yesterday","topic":"t"}\n', "line 1: Invalid isoformat string"),
        (b"[" * 100_000 + b"\n", "line 1: not JSON"),
        (b"\x1f\x8bnot really gzip", "cannot be read after line 0"),
        (b"\x28\xb5\x2f\xfdnot really zstd", "cannot be read after line 0"),
    ],
)
def test_a_line_that_is_no_message_is_named(tmp_path: Path, content: bytes, said: str) -> None:
    """The user reads which file and which line."""
    (tmp_path / "a.jsonl").write_bytes(content)
    with pytest.raises(InputError, match=r"a\.jsonl") as raised:
        list(read_capture(tmp_path / "a.jsonl"))
    assert raised.value.what.startswith(said)
    assert "\n" not in str(raised.value)


def _nothing(path: Path) -> None:
    path.unlink(missing_ok=True)


def _damaged(path: Path) -> None:
    path.write_bytes(b"PAR1 and then nothing")


def _no_topic(path: Path) -> None:
    pl.DataFrame({"recv_ns": [1], "payload": [b""]}).write_parquet(path)


def _empty_cell(path: Path) -> None:
    pl.DataFrame({"recv_ns": [1, None], "topic": ["t", "t"], "payload": [b"", b""]}).write_parquet(path)


def _text_times(path: Path) -> None:
    pl.DataFrame({"recv_ns": ["noon"], "topic": ["t"], "payload": [b""]}).write_parquet(path)


@pytest.mark.parametrize(
    ("make", "said"),
    [
        (_nothing, "no such capture"),
        (_damaged, "cannot be read as Parquet"),
        (_no_topic, "column topic is missing"),
        (_empty_cell, "empty cell"),
        (_text_times, "cannot be read as a capture"),
    ],
)
def test_an_unreadable_capture_is_one_clear_line(
    tmp_path: Path, make: Callable[[Path], None], said: str
) -> None:
    """Whatever is wrong with a Parquet file, the error names it in one line."""
    path = tmp_path / "day.parquet"
    make(path)
    with pytest.raises(InputError, match=said) as raised:
        list(read_capture(path))
    assert str(path) in str(raised.value)
    assert "\n" not in str(raised.value)


@given(content=st.binary(max_size=300))
def test_any_bytes_are_read_or_refused(tmp_path_factory: pytest.TempPathFactory, content: bytes) -> None:
    """A random file is messages or one clear error, never anything else."""
    path = tmp_path_factory.mktemp("random") / "a.jsonl"
    path.write_bytes(content)
    said = ""
    try:
        said = "messages" if all(isinstance(m, Message) for m in read_capture(path)) else said
    except InputError as error:
        said = str(error)
    assert said == "messages" or said.startswith(f"{path}: ")
