"""What the engine complains of, turned into one line that says what to do.

A full, read-only or failing disk is told apart (:class:`~detect.errors.DiskError`): it may heal while
the service waits, where a locked, foreign or damaged file will not.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Final

import duckdb

from detect.errors import DiskError, StoreError

_DISK: Final = {
    "No space left on device": "the disk is full; free some space: all that was acknowledged is safe",
    "Disk quota exceeded": "the disk quota is used up; raise it: all that was acknowledged is safe",
    "File too large": "the file may not grow further; raise the limit: all that was acknowledged is safe",
    "Read-only file system": "the disk is read-only; mount it for writing and look for disk errors",
    "Input/output error": "the disk fails (input/output error); check it and have a backup at hand",
}
"""Words of the operating system within the engine's messages, and what we make of them."""
NO_DATABASE: Final = "not a quietclaw history (no database file)"
_MEMORY: Final = re.compile(r"Out of Memory|failed to (pin|allocate)|could not allocate")
_DURABLE: Final = "COMMIT succeeded and is durable"


def fault(error: duckdb.Error, path: Path, verb: str) -> StoreError:
    """Return the error of ours for one of the engine's.

    Parameters
    ----------
    error:
        What the engine raised.
    path:
        The history concerned.
    verb:
        What could not be done to it: ``opened``, ``read`` or ``written``.
    """
    message = str(error)
    for words, advice in _DISK.items():
        if words in message:
            stored = "stored, but not tidied up" if _DURABLE in message else f"cannot be {verb}"
            return DiskError(f"{stored}: {advice}", where=str(path))
    return StoreError(_advice(message, verb), where=str(path))


def is_disk(message: str) -> bool:
    """Tell whether words of the system within a message are about the disk."""
    return any(words in message for words in _DISK)


def is_memory(message: str) -> bool:
    """Tell whether words of the engine are about its memory limit, which it says in several ways."""
    return _MEMORY.search(message) is not None


def first_line(error: duckdb.Error) -> str:
    """Return the first line of an engine message, without its position marks."""
    return str(error).splitlines()[0]


def _advice(message: str, verb: str) -> str:
    """Turn the engine's message into one line that says what to do."""
    first = message.splitlines()[0]
    if "Conflicting lock" in message:
        holder = first.partition("Conflicting lock is held in ")[2].partition(". See also")[0]
        return f"another process uses it: {holder}; the service has it: ask through --url or stop the service"
    if "different configuration" in message:
        return "this process has it open already in another way; close that first"
    if "not a valid DuckDB database file" in message or "Cannot launch in-memory database" in message:
        return NO_DATABASE
    if "database does not exist" in message:
        return "no such file"
    if "Corrupt database file" in message or "checksum" in message:
        return f"is damaged: put the newest backup in its place ({first})"
    return f"cannot be {verb}: {first.removeprefix('IO Error: ')}"
