"""Opening a history whose write-ahead log is damaged: put the log aside, go on with what is sound.

Nothing is ever deleted: what is put aside lies in the folder ``NAME.damaged`` beside the history.
"""

from __future__ import annotations

import fcntl
import os
import re
import shutil
import struct
from pathlib import Path
from typing import Final

from detect.errors import DiskError, StoreError
from store.faults import is_memory
from store.incident import Incident, IncidentKind
from store.log_copy import copy_path, log_is_sound, log_path, write_from_copy

_BROKEN_AT: Final = re.compile(r"Corrupt WAL file: entry at byte position (\d+)")
_REPLAY: Final = re.compile(r"replaying WAL|WAL file")
_LOCK: Final = struct.Struct("hhqqi")
"""``struct flock`` of 64-bit Linux: type, whence, start, length, process."""


def restore_log(path: Path) -> Incident | None:
    """Before a history is opened for writing, make its log agree with the copy of it.

    Returns
    -------
    Incident or None
        What was done, None when the log is sound or somebody else has the file.

    Raises
    ------
    DiskError
        When the disk does not let us.
    """
    if not path.is_file() or _in_use(path) or log_is_sound(path):
        return None
    try:
        aside = _put_aside(path)
        size = write_from_copy(path)
    except OSError as error:
        raise DiskError(f"the damaged log cannot be put aside: {error.strerror}", where=str(path)) from error
    return Incident(
        IncidentKind.LOG_RESTORED, f"{size} bytes of the log restored, the damaged one is in {aside}"
    )


def cut_log(path: Path, error: StoreError) -> Incident:
    """After the engine refused to replay a log, cut it where it says, or leave it out.

    Raises
    ------
    StoreError
        The same error when it is not about the log, or when the log may be sound: the disk or the memory
        did not suffice to replay it.
    """
    text = str(error.__cause__ or error)
    log = log_path(path)
    may_be_sound = isinstance(error, DiskError) or is_memory(text)
    if may_be_sound or not _REPLAY.search(text) or not log.exists():
        raise error
    try:
        aside = _put_aside(path)
        if broken := _BROKEN_AT.search(text):
            with log.open("r+b") as file:
                file.truncate(int(broken[1]))
                os.fsync(file.fileno())
        else:
            log.unlink()
    except OSError as fault:
        raise DiskError(f"the damaged log cannot be put aside: {fault.strerror}", where=str(path)) from fault
    kept = f"kept up to byte {broken[1]}" if broken else "left out"
    return Incident(IncidentKind.LOG_CUT, f"the log was {kept}, the damaged one is in {aside}")


def _put_aside(path: Path) -> Path:
    """Copy log and log copy into a new numbered folder, and return it."""
    shelf = path.with_name(path.name + ".damaged")
    shelf.mkdir(exist_ok=True)
    number = 1 + max((int(old.name) for old in shelf.iterdir() if old.name.isdigit()), default=0)
    folder = shelf / str(number)
    folder.mkdir()
    for file in (log_path(path), copy_path(path)):
        if file.exists():
            shutil.copy2(file, folder / file.name)
    return folder


def _in_use(path: Path) -> bool:
    """Tell whether another process holds a lock on the file; nothing is locked by asking."""
    with path.open("rb") as file:
        asked = _LOCK.pack(fcntl.F_WRLCK, os.SEEK_SET, 0, 0, 0)
        kind, *_ = _LOCK.unpack(fcntl.fcntl(file, fcntl.F_GETLK, asked))
    return bool(kind != fcntl.F_UNLCK)
