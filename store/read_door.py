"""Questions from outside to a history that is being written: answered by a fenced process on a copy.

The engine has no walls inside: a SELECT can write, and one huge expression ignores both the time and
the memory limit (``repeat('x', 1500000000)`` held the engine for 21 s and 3 GB). So a question never
runs in the process that commits. Each gets a process of its own, with limits of the operating system,
on a copy of the history; it is killed when it overstays.
"""

from __future__ import annotations

import json
import subprocess
import threading
import time
from collections.abc import Callable, Sequence
from contextlib import nullcontext
from pathlib import Path
from typing import Any, Final

from detect.errors import DiskError, InputError, StoreError
from store.child_process import command, environment
from store.copying import Held, copy_history
from store.question import DEFAULT_LIMITS, QueryLimits
from store.space import LEAST_FREE_BYTES, free_space

LET_IN: Final = 2
"""Questions let in: one is answered, the next one waits, more are sent away (engineering choice)."""
START_S: Final = 5.0
"""Time a process may take beyond the question's own [s]: to start and to hand the answer over."""
FRESH_S: Final = 1.0
"""A copy may always be so old [s] (engineering choice)."""
FRESH_FACTOR: Final = 2.0
"""And so many times as old as making it took: copying takes at most a third of the time of those who ask."""


class ReadDoor:
    """Answer questions to one history; safe to call from any thread.

    Parameters
    ----------
    path:
        The history.
    held:
        Holds its writer for as long as a block lasts.
    clock_s:
        Monotonic time [s].
    """

    def __init__(
        self, path: Path, *, held: Held = nullcontext, clock_s: Callable[[], float] = time.monotonic
    ) -> None:
        self._path = path
        self._copy = path.with_name(path.name + ".reading")
        self._held = held
        self._clock_s = clock_s
        self._copying = threading.Lock()
        self._places = threading.BoundedSemaphore(LET_IN)
        self._turn = threading.Lock()
        self._good_until_s = 0.0
        self._outdated = threading.Event()
        self.close()

    def outdate(self) -> None:
        """Let the next question see all that is stored now."""
        self._outdated.set()

    def close(self) -> None:
        """Remove the copy."""
        with self._copying:
            self._copy.unlink(missing_ok=True)
            self._outdated.set()

    def ask(
        self, sql: str, params: Sequence[Any] = (), limits: QueryLimits = DEFAULT_LIMITS
    ) -> dict[str, Any]:
        """Answer one reading statement with ``columns``, ``rows`` and ``truncated``.

        Raises
        ------
        InputError
            The statement is wrong, or needs more time or memory than it may have.
        StoreError
            Too many ask at once, or the history cannot be copied or read.
        """
        if not self._places.acquire(blocking=False):
            raise StoreError("too many questions at once; try again")
        try:
            with self._turn:
                self._refresh()
                return _answered(self._copy, sql, params, limits)
        finally:
            self._places.release()

    def _refresh(self) -> None:
        """Make a new copy when the last one is too old."""
        with self._copying:
            began_s = self._clock_s()
            if began_s < self._good_until_s and not self._outdated.is_set():
                return
            self._outdated.clear()
            needed = _size(self._path) + LEAST_FREE_BYTES
            if free_space(self._path) < needed:
                raise DiskError(
                    "no room for the copy that questions are answered from", where=str(self._path)
                )
            copy_history(self._path, self._copy, held=self._held)
            ended_s = self._clock_s()
            self._good_until_s = ended_s + max(FRESH_S, FRESH_FACTOR * (ended_s - began_s))


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError as error:
        raise StoreError(f"cannot be read: {error.strerror}", where=str(path)) from error


def _answered(path: Path, sql: str, params: Sequence[Any], limits: QueryLimits) -> dict[str, Any]:
    """Let a process of its own answer, and kill it when it overstays."""
    asked = {
        "path": str(path.absolute()),  # the process stands elsewhere
        "sql": sql,
        "params": list(params),
        "rows": limits.rows,
        "time_s": limits.time_s,
    }
    try:
        done = subprocess.run(  # noqa: S603 - our own module
            command("store.read_child"),
            input=json.dumps(asked) + "\n",
            capture_output=True,
            env=environment(),
            cwd="/",
            text=True,
            timeout=limits.time_s + START_S,
            check=False,
        )
        told: dict[str, Any] = json.loads(done.stdout)
    except subprocess.TimeoutExpired as error:
        raise InputError(f"took longer than {limits.time_s:g} s; narrow it", where="query") from error
    except ValueError as error:
        raise InputError("needed more memory or time than a question may have", where="query") from error
    if "wrong" in told:
        raise InputError(told["wrong"])
    if "failed" in told:
        raise StoreError(told["failed"])
    return told
