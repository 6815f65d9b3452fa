"""Messages on disk as Parquet: write them as they come, read them back in order.

A capture is one Parquet file or a folder of files read in name order. Writing goes to small part
files first, so that a crash costs the unwritten tail and not the file; a capture named
``*.parquet`` is joined from its parts when it is closed.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path
from types import TracebackType
from typing import Final, Self

import polars as pl
from polars.exceptions import PolarsError

from detect.errors import InputError
from ingest.message_lines import is_message_lines, read_message_lines
from ingest.messages import Messages
from ingest.wire import Message

SCHEMA: Final = {"recv_ns": pl.Int64, "topic": pl.String, "payload": pl.Binary}
"""Columns of a capture, sorted by ``recv_ns`` (contract)."""
PART_MESSAGES: Final = 50_000
"""Messages in one row group: two and a half minutes of eighty stalls (engineering choice)."""
PART_BYTES: Final = 32 * 1024 * 1024
"""Payload bytes after which a row group is written whatever its messages (engineering choice)."""
READ_ROWS: Final = PART_MESSAGES
"""Rows read at once: one row group of our own captures, which is unpacked as a whole."""
PIECE_ROWS: Final = 10_000
"""Rows of these made into messages at once: their memory is used again for the next (measured)."""
PARQUET_MAGIC: Final = b"PAR1"


class CaptureWriter:
    """Write messages to a capture; use it as a context manager.

    Parameters
    ----------
    path:
        ``NAME.parquet`` for one file, which must not exist; any other name is a folder, which may
        already hold earlier parts.

    Raises
    ------
    InputError
        When the file exists or cannot be written.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._single = path.suffix == ".parquet"
        if self._single and path.exists():
            raise InputError("exists already; a capture is never overwritten", where=str(path))
        self._parts = path.with_name(path.name + ".parts") if self._single else path
        self._rows: list[tuple[int, str, bytes]] = []
        self._bytes = 0
        try:
            self._parts.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise InputError(f"cannot be written: {error.strerror}", where=str(self._parts)) from error
        self._next_part = 1 + max(
            (int(p.stem) for p in self._parts.glob("*.parquet") if p.stem.isdigit()), default=-1
        )

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def write(self, message: Message) -> None:
        """Add one message."""
        self._rows.append((message.recv_ns, message.topic, message.payload))
        self._bytes += len(message.payload)
        if len(self._rows) >= PART_MESSAGES or self._bytes >= PART_BYTES:
            self.flush()

    @property
    def held(self) -> int:
        """Return how many messages are not written yet."""
        return len(self._rows)

    def flush(self) -> None:
        """Write what has come so far as a part of its own."""
        if not self._rows:
            return
        part = self._parts / f"{self._next_part:08d}.parquet"
        unfinished = part.with_suffix(".unfinished")
        try:
            pl.DataFrame(self._rows, schema=SCHEMA, orient="row").write_parquet(
                unfinished, compression="zstd"
            )
            unfinished.rename(part)
        except (OSError, PolarsError) as error:
            unfinished.unlink(missing_ok=True)
            raise InputError(f"cannot be written: {_first_line(error)}", where=str(part)) from error
        self._next_part += 1
        self._rows.clear()
        self._bytes = 0

    def close(self) -> None:
        """Write the rest and join the parts of a single file."""
        self.flush()
        if not self._single or not self._parts.exists():
            return
        parts = sorted(self._parts.glob("*.parquet"))
        if parts:
            unfinished = self.path.with_suffix(".unfinished")
            pl.scan_parquet(parts).sink_parquet(unfinished, compression="zstd", row_group_size=PART_MESSAGES)
            unfinished.rename(self.path)
        else:
            pl.DataFrame(schema=SCHEMA).write_parquet(self.path)
        shutil.rmtree(self._parts)


def capture_files(path: Path) -> list[Path]:
    """Return the files of a capture in the order in which they are read.

    Raises
    ------
    InputError
        When there is nothing there.
    """
    if path.is_file():
        return [path]
    if not path.is_dir():
        raise InputError("no such capture", where=str(path))
    files = sorted(file for file in path.iterdir() if file.is_file() and _readable(file))
    if not files:
        raise InputError("no capture file in this folder", where=str(path))
    return files


def read_capture(path: Path) -> Iterator[Message]:
    """Read a capture in order, holding a bounded part of it in memory.

    Parameters
    ----------
    path:
        A Parquet file, JSON lines of a subscriber client (plain, gzip or zstd), or a folder of them.

    Yields
    ------
    Message
        The messages as received.

    Raises
    ------
    InputError
        When a file is missing, damaged or no capture.
    """
    for part in read_parts(path):
        yield from part


def read_parts(path: Path) -> Iterator[Messages]:
    """Read a capture in order like :func:`read_capture`, many messages at once.

    Raises
    ------
    InputError
        When a file is missing, damaged or no capture; what stands before was given.
    """
    for file in capture_files(path):
        yield from read_parquet(file) if is_parquet(file) else _in_parts(read_message_lines(file))


def _in_parts(messages: Iterator[Message]) -> Iterator[Messages]:
    """Give messages many at once, as far as they can be read."""
    part: list[Message] = []
    try:
        for message in messages:
            part.append(message)
            if len(part) == READ_ROWS:
                yield Messages.of(part)
                part = []
    except InputError:
        yield Messages.of(part)
        raise
    yield Messages.of(part)


def is_parquet(file: Path) -> bool:
    """Tell by its first bytes whether a file is Parquet, whatever its name."""
    try:
        with file.open("rb") as stream:
            return stream.read(4) == PARQUET_MAGIC
    except OSError as error:
        raise InputError(f"cannot be read: {error.strerror}", where=str(file)) from error


def scan_messages(file: Path) -> pl.LazyFrame:
    """Open a Parquet file as a lazy table with the columns and types of a capture.

    Raises
    ------
    InputError
        When the file is damaged or lacks a column.
    """
    try:
        lazy = pl.scan_parquet(file)
        missing = [name for name in SCHEMA if name not in lazy.collect_schema()]
    except (PolarsError, OSError) as error:
        raise InputError(f"cannot be read as Parquet: {_first_line(error)}", where=str(file)) from error
    if missing:
        raise InputError(
            f"column {missing[0]} is missing; a capture has {', '.join(SCHEMA)}", where=str(file)
        )
    return lazy.select(pl.col(name).cast(kind) for name, kind in SCHEMA.items())


def read_parquet(file: Path) -> Iterator[Messages]:
    """Read one Parquet file of a capture."""
    lazy = scan_messages(file)
    offset = 0
    while True:
        try:
            rows = lazy.slice(offset, READ_ROWS).collect()
        except (PolarsError, OSError) as error:
            raise InputError(f"cannot be read as a capture: {_first_line(error)}", where=str(file)) from error
        if rows.null_count().sum_horizontal().item():
            raise InputError(f"empty cell within rows {offset} to {offset + rows.height}", where=str(file))
        for piece in rows.iter_slices(PIECE_ROWS):
            recv_ns, topics, payloads = piece.get_columns()
            # Writable as all others are: compiled code would be compiled once more for a read-only array.
            yield Messages(recv_ns.to_numpy(writable=True), topics.to_list(), payloads.to_list())
        if rows.height < READ_ROWS:
            return
        offset += rows.height


def _readable(file: Path) -> bool:
    """Tell whether a file in a folder belongs to a capture; anything else there is left alone."""
    return not file.name.startswith(".") and (file.suffix == ".parquet" or is_message_lines(file))


def _first_line(error: Exception) -> str:
    """Return the first line of an engine's message."""
    return next(iter(str(error).splitlines()), type(error).__name__)
