"""The process that copies a history: ``python -m store.copying_child SOURCE TARGET``.

It says ``copied`` when the file is copied, waits for ``go``, copies the log and says ``done``, or
``again`` when a checkpoint came in between. Then it opens the copy, which proves it, and tidies it up.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import Final

from store.child_process import give_way

COPIED: Final = "copied"
GO: Final = "go"
DONE: Final = "done"
AGAIN: Final = "again"
_HEADERS_BYTES: Final = 3 * 4096
_CHUNK_BYTES: Final = 4 * 2**20


def main(source: Path, target: Path) -> None:
    """Copy one history as its writer lets us."""
    target.unlink(missing_ok=True)
    before = _headers(source)
    _copy(source, target)
    _say(COPIED)
    if sys.stdin.readline().strip() != GO:
        return
    log, its_copy = (path.with_name(path.name + ".wal") for path in (source, target))
    its_copy.unlink(missing_ok=True)
    if log.exists():
        _copy(log, its_copy)
    if _headers(source) != before or _headers(target) != before:
        _say(AGAIN)
        return
    _say(DONE)
    give_way()
    _tidy(target)


def _headers(path: Path) -> bytes:
    with path.open("rb") as file:
        return file.read(_HEADERS_BYTES)


def _copy(source: Path, target: Path) -> None:
    """Copy bytes to a file only its owner may read."""
    descriptor = os.open(target, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with source.open("rb") as read, os.fdopen(descriptor, "wb") as write:
        while chunk := read.read(_CHUNK_BYTES):
            write.write(chunk)


def _tidy(target: Path) -> None:
    """Open the copy, which replays its log, and bring all of it into the one file, on the disk.

    Only here: a disk that is made to write while the log is copied would hold the writer up.
    """
    from store.engine import StoreSettings, connect  # noqa: PLC0415 - not needed while the writer is held

    connection = connect(target, StoreSettings(threads=1, memory_limit_mb=256), read_only=False)
    connection.execute("CHECKPOINT")
    connection.close()
    with target.open("rb") as file:
        os.fsync(file.fileno())


def _say(word: str) -> None:
    print(word, flush=True)


if __name__ == "__main__":
    try:
        main(Path(sys.argv[1]), Path(sys.argv[2]))
    except Exception as error:  # the top of a process: one line for whoever started it
        sys.exit(str(error).splitlines()[0])
