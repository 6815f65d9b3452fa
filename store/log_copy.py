"""A second copy of the write-ahead log, so that damage to the first costs nothing acknowledged.

Between two checkpoints everything committed lives in the engine's log alone. Its replay stops at the
first entry that looks wrong: with one flipped byte in a length the engine opens without a word and has
lost every later commit (measured). So each commit's bytes are also appended here, with a checksum,
before anything is acknowledged. At the next start the log must begin with the copy; if it does not,
it is put aside and written anew from the copy.

The copy is not forced to disk: it guards against damage to the log, not against a power cut, for which
the log itself is forced. A copy that is shorter than the log, or of an earlier checkpoint, is no news.
"""

from __future__ import annotations

import os
import struct
import zlib
from collections.abc import Iterator
from contextlib import suppress
from hashlib import sha256
from pathlib import Path
from typing import BinaryIO, Final

_MAGIC: Final = b"quietclaw log copy 1\n"
_RECORD: Final = struct.Struct("<II")
"""Length and CRC-32 of the bytes of the log that follow."""
_HEADERS_BYTES: Final = 3 * 4096
"""The file's three headers, which change with each checkpoint and only then (DuckDB storage format)."""


def log_path(path: Path) -> Path:
    """Return where the engine keeps the write-ahead log of a history."""
    return path.with_name(path.name + ".wal")


def copy_path(path: Path) -> Path:
    """Return where the copy of that log is kept."""
    return path.with_name(path.name + ".wal-copy")


class LogCopy:
    """Follow the log of a history that is open for writing.

    The descriptor on the history itself stays open until :meth:`close`, which must come after the
    engine has closed the file: closing any descriptor of a file drops the process's lock on it (POSIX),
    and a second writer could come in.

    Nothing is copied before the first commit: after a crash the log may end in a torn entry, which the
    engine overwrites only then, and a copy with that entry in it would later pass for the better log.

    Parameters
    ----------
    path:
        The history, already opened by the engine.
    """

    def __init__(self, path: Path) -> None:
        self._log = log_path(path)
        self._copy = copy_path(path)
        self._history = os.open(path, os.O_RDONLY)
        self._out: BinaryIO | None = None
        self._checkpoint = b""
        self._copied = 0

    def follow(self) -> None:
        """Append what the log has gained; begin anew after a checkpoint.

        A copy that cannot be written is given up until the next checkpoint: the commit is durable.
        """
        try:
            checkpoint = sha256(os.pread(self._history, _HEADERS_BYTES, 0)).digest()
            size = self._log.stat().st_size if self._log.exists() else 0
            if checkpoint != self._checkpoint or size < self._copied:
                self._begin(checkpoint)
            if self._out is not None and size > self._copied:
                self._append(self._out, size)
        except OSError:
            self._give_up()

    def close(self) -> None:
        """Stop following; a copy of a log that the engine has emptied is removed."""
        if self._out is not None:
            self._out.close()
        if not self._log.exists():
            self._copy.unlink(missing_ok=True)
        os.close(self._history)

    def _begin(self, checkpoint: bytes) -> None:
        if self._out is not None:
            self._out.close()
        self._checkpoint, self._copied = checkpoint, 0
        self._out = self._copy.open("wb", buffering=0)
        self._out.write(_MAGIC + checkpoint)

    def _append(self, out: BinaryIO, size: int) -> None:
        with self._log.open("rb") as log:
            log.seek(self._copied)
            gained = log.read(size - self._copied)
        out.write(_RECORD.pack(len(gained), zlib.crc32(gained)) + gained)
        self._copied = size

    def _give_up(self) -> None:
        """Stop copying; what stands in the copy is still a beginning of the log."""
        if self._out is not None:
            self._out.close()
            self._out = None


def log_is_sound(path: Path) -> bool:
    """Tell whether the log of a closed history begins with its copy; true when there is no usable copy."""
    expected = _records(path)
    with suppress(FileNotFoundError), log_path(path).open("rb") as log:
        return all(log.read(len(record)) == record for record in expected)
    return next(expected, None) is None


def write_from_copy(path: Path) -> int:
    """Write the log of a closed history anew from its copy, and return how many bytes it has."""
    fresh = log_path(path).with_suffix(".wal-new")
    with fresh.open("wb") as log:
        for record in _records(path):
            log.write(record)
        log.flush()
        os.fsync(log.fileno())
        size = log.tell()
    fresh.replace(log_path(path))
    return size


def _records(path: Path) -> Iterator[bytes]:
    """Give the copied stretches of the log, as far as they are sound and belong to this checkpoint."""
    try:
        with copy_path(path).open("rb") as copy, path.open("rb") as history:
            checkpoint = sha256(history.read(_HEADERS_BYTES)).digest()
            if copy.read(len(_MAGIC) + len(checkpoint)) != _MAGIC + checkpoint:
                return
            while len(head := copy.read(_RECORD.size)) == _RECORD.size:
                length, checksum = _RECORD.unpack(head)
                record = copy.read(length)
                if len(record) != length or zlib.crc32(record) != checksum:
                    return
                yield record
    except FileNotFoundError:
        return
