"""What a process of our own is started with: where Python finds its modules, and nothing else of ours."""

from __future__ import annotations

import os
import sys
from contextlib import suppress
from os import pathsep
from pathlib import Path


def command(module: str, *words: str) -> list[str]:
    """Return the command that runs a module of this program."""
    return [sys.executable, "-m", module, *words]


def give_way() -> None:
    """Let the service go first from now on: a copy can wait, a message cannot."""
    os.nice(10)


def stand_aside() -> None:
    """Give way, and where the system knows it run only when nothing else would.

    Only for a process that writes no file: one that is stopped in the middle of a write holds the journal of
    the disk, and with it whoever waits for the disk, such as the service's commit.
    """
    give_way()
    if hasattr(os, "SCHED_IDLE"):
        with suppress(OSError):  # a sandbox may forbid it
            os.sched_setscheduler(0, os.SCHED_IDLE, os.sched_param(0))


def environment() -> dict[str, str]:
    """Return its environment: secrets in ours stay here."""
    places = [str(Path(place).absolute()) for place in sys.path]
    return {"PYTHONPATH": pathsep.join(places), "POLARS_MAX_THREADS": "1"}
