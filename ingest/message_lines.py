"""Captures as JSON lines: what the general MQTT subscriber client prints with its JSON format option.

One object a line with ``topic``, ``payload`` (text, or the payload's own JSON) and the receive time
as ``tst`` (ISO time) or ``ts`` (ISO time or seconds); plain, gzip or zstd, told by the first bytes.
"""

from __future__ import annotations

import gzip
import io
import json
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import IO, Final, cast

import zstandard

from detect.errors import InputError
from ingest.wire import Message

SUFFIXES: Final = (".jsonl", ".ndjson", ".json")
"""Names of JSON lines in a folder, each also with ``.gz`` or ``.zst`` behind it."""
MAX_LINE_BYTES: Final = 64 * 1024 * 1024
"""Longest line read: a broken file without line ends must not fill the memory (engineering choice)."""
_GZIP_MAGIC: Final = b"\x1f\x8b"
_ZSTD_MAGIC: Final = b"\x28\xb5\x2f\xfd"
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND: Final = timedelta(microseconds=1)
_EPOCH_UNITS: Final = ((1e11, 10**9), (1e14, 10**6), (1e17, 10**3))
"""A numeric time below the first figure is in a unit of so many ns: seconds, ms, us; above them ns."""


def is_message_lines(file: Path) -> bool:
    """Tell by its name whether a file holds JSON lines."""
    return file.name.removesuffix(".gz").removesuffix(".zst").endswith(SUFFIXES)


def read_message_lines(file: Path) -> Iterator[Message]:
    """Read one file of JSON lines in order.

    Raises
    ------
    InputError
        When the file cannot be read or a line is no message; the line is named. A last line without
        its end is left out: the subscriber was stopped while writing it.
    """
    number = 0
    try:
        with _open(file) as stream:
            while line := stream.readline(MAX_LINE_BYTES):
                number += 1
                if not line.strip():
                    continue
                try:
                    yield _message(line)
                except ValueError as error:
                    if not line.endswith(b"\n") and len(line) < MAX_LINE_BYTES:
                        return
                    raise InputError(f"line {number}: {error}", where=str(file)) from error
    except (OSError, EOFError, zstandard.ZstdError) as error:
        raise InputError(f"cannot be read after line {number}: {error}", where=str(file)) from error


def _open(file: Path) -> IO[bytes]:
    """Open a file for reading lines, decompressing what its first bytes say is compressed."""
    with file.open("rb") as raw:
        magic = raw.read(4)
    if magic.startswith(_GZIP_MAGIC):
        return cast("IO[bytes]", gzip.open(file, "rb"))
    if magic == _ZSTD_MAGIC:
        raw_stream = zstandard.ZstdDecompressor().stream_reader(file.open("rb"), read_across_frames=True)
        return io.BufferedReader(cast("io.RawIOBase", raw_stream))
    return file.open("rb")


def _message(line: bytes) -> Message:
    """Read one line.

    Raises
    ------
    ValueError
        With what is wrong in it.
    """
    try:
        record = json.loads(line)
    except (ValueError, RecursionError) as error:
        raise ValueError("not JSON") from error
    match record:
        case {"topic": str(topic), "tst": received, **rest} | {"topic": str(topic), "ts": received, **rest}:
            return Message(_recv_ns(received), topic, _payload(rest.get("payload")))
    raise ValueError("no JSON object with topic and receive time (tst or ts)")


def _payload(value: object) -> bytes:
    """Return the payload's bytes; one printed as JSON is written as JSON again."""
    if value is None:
        return b""
    text = value if isinstance(value, str) else json.dumps(value, ensure_ascii=False, separators=(",", ":"))
    return text.encode(errors="surrogatepass")


def _recv_ns(value: object) -> int:
    """Return a receive time [ns]."""
    if isinstance(value, str):
        instant = datetime.fromisoformat(value)
        aware = instant if instant.tzinfo else instant.replace(tzinfo=UTC)
        recv_ns = (aware - _EPOCH) // _MICROSECOND * 1000
        if abs(recv_ns) >= 2**63:
            raise ValueError(f"receive time {value!r} is outside of the years 1678 to 2262")
        return recv_ns
    if isinstance(value, int | float) and not isinstance(value, bool) and 0 <= value < 2**63:
        for limit, unit_ns in _EPOCH_UNITS:
            if value < limit:
                # A double of seconds resolves a quarter of a microsecond: what is below is noise.
                return value * unit_ns if isinstance(value, int) else round(value * unit_ns / 1000) * 1000
        return int(value)
    raise ValueError(f"receive time {value!r} is neither an ISO time nor a number")
