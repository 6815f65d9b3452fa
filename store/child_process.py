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
    """Let the service go first from now on: a question can wait, a message cannot.

    Where the system knows it, such a process runs when nothing else would, and leaves the processor at
    once to whoever wakes.
    """
    os.nice(10)
    if hasattr(os, "SCHED_IDLE"):
        with suppress(OSError):  # a sandbox may forbid it
            os.sched_setscheduler(0, os.SCHED_IDLE, os.sched_param(0))


def environment() -> dict[str, str]:
    """Return its environment: secrets in ours stay here."""
    places = [str(Path(place).absolute()) for place in sys.path]
    return {"PYTHONPATH": pathsep.join(places), "POLARS_MAX_THREADS": "1"}
