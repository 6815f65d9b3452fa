"""A consistent copy of a history that is being written to, made by a process of its own.

Between two checkpoints the file itself does not change, only the log grows. So the file is copied
while commits go on; then, with the writer held for the moment it takes, the log. A checkpoint in
between shows in the file's headers, and the copy is begun anew; the third attempt holds the writer.

The copying is another process's work for two reasons: it costs this one no time, and a process that
opens and closes a file loses its lock on it (POSIX), so the writer must never open its own file.
"""

from __future__ import annotations

import os
import subprocess
from collections.abc import Callable
from contextlib import AbstractContextManager, nullcontext, suppress
from pathlib import Path
from typing import IO, Final, cast

from detect.errors import DiskError, StoreError
from store.child_process import command, environment
from store.copying_child import AGAIN, COPIED, DONE, GO
from store.faults import is_disk

ATTEMPTS: Final = 3
"""Copies begun while the writer goes on; the last of them holds it from the start (engineering choice)."""
Held = Callable[[], AbstractContextManager[object]]
"""Gives a block within which nobody commits."""


def copy_history(source: Path, target: Path, *, held: Held = nullcontext) -> None:
    """Copy a history to a new file that is tidied up and whole in itself.

    Parameters
    ----------
    source:
        A history, open or not.
    target:
        The file to make; it appears under its name only when it is complete.
    held:
        Holds the writer of an open history for as long as its block lasts.

    Raises
    ------
    StoreError
        When it cannot be copied, or the copy does not open.
    """
    unfinished = target.with_name(f".{target.name}.unfinished")
    try:
        for attempt in range(ATTEMPTS):
            if _copied(source, unfinished, held, patient=attempt < ATTEMPTS - 1):
                unfinished.replace(target)
                return
    finally:
        for leftover in (unfinished, unfinished.with_name(unfinished.name + ".wal")):
            leftover.unlink(missing_ok=True)
    raise StoreError("cannot be copied: it changes under the copy", where=str(source))


def _copied(source: Path, target: Path, held: Held, *, patient: bool) -> bool:
    """Make one attempt; a patient one holds the writer only while the log is copied."""
    with nullcontext() if patient else held(), _child(source, target) as child:
        said, told = cast(IO[str], child.stdout), cast(IO[str], child.stdin)
        answer = said.readline().strip()
        if answer == COPIED:
            with held() if patient else nullcontext():
                with suppress(BrokenPipeError):  # it may have been killed meanwhile: no answer says so
                    os.write(told.fileno(), f"{GO}\n".encode())
                answer = said.readline().strip()
        if answer == AGAIN:
            return False
        if answer == DONE and child.wait() == 0:
            return True
        child.kill()
        raise _failure(child, source)


def _child(source: Path, target: Path) -> subprocess.Popen[str]:
    """Start the process that copies."""
    return subprocess.Popen(  # noqa: S603 - our own module
        command("store.copying_child", str(source.absolute()), str(target.absolute())),
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env=environment(),
        text=True,
    )


def _failure(child: subprocess.Popen[str], source: Path) -> StoreError:
    """Return what stopped the child, which says it in its last line."""
    said = cast(IO[str], child.stderr).read().strip().splitlines() or [f"ended with {child.wait()}"]
    kind = DiskError if is_disk(said[-1]) else StoreError
    return kind(f"cannot be copied: {said[-1]}", where=str(source))
