"""Find the processes that work for a Spark session on this machine, to kill them and to count their time."""

from __future__ import annotations

import os
import signal
import threading
from collections.abc import Callable, Sequence
from pathlib import Path

from pyspark.sql import SparkSession

TURN_S = 0.02
TICKS_S = 1.0 / os.sysconf("SC_CLK_TCK")


def workers_of(session: SparkSession) -> list[int]:
    """Return the session's Python workers: forks of a daemon below Java."""
    pythons = [pid for pid in below(session.sparkContext._gateway.proc.pid) if _runs(pid, b"pyspark.daemon")]
    return [pid for pid in pythons if _parent(pid) in pythons]


def executors_of(session: SparkSession) -> list[int]:
    """Return the session's executors that are processes of their own; none when it has no cluster."""
    return [
        pid
        for pid in below(session.sparkContext._gateway.proc.pid)
        if _runs(pid, b"CoarseGrainedExecutorBackend")
    ]


def kill_when(ready: Callable[[], bool], victims: Callable[[], Sequence[int]], *, most_s: float) -> int:
    """Wait until something is so, kill all victims that are there then, and return how many."""
    never = threading.Event()
    for _ in range(round(most_s / TURN_S)):
        if ready() and (found := victims()):
            for pid in found:
                os.kill(pid, signal.SIGKILL)
            return len(found)
        never.wait(TURN_S)
    return 0


def below(pid: int) -> list[int]:
    """Return all processes below one, at any depth."""
    own = [number for number in _processes() if _parent(number) == pid]
    return own + [deeper for number in own for deeper in below(number)]


def processor_s(pid: int) -> float:
    """Return the processor time of a process, of all below it, and of those that have ended [s]."""
    return sum(_times_s(number) for number in (pid, *below(pid)))


def _processes() -> list[int]:
    return [int(entry.name) for entry in Path("/proc").iterdir() if entry.name.isdigit()]


def _stat(pid: int) -> list[str]:
    """Return a process's figures from its state on; none when it has ended meanwhile."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    except OSError:
        return []


def _parent(pid: int) -> int:
    return int((_stat(pid) or ["?", "0"])[1])


def _times_s(pid: int) -> float:
    """Return user and system time, of the process itself and of its children that were waited for [s]."""
    return TICKS_S * sum(map(int, _stat(pid)[11:15]))


def _runs(pid: int, word: bytes) -> bool:
    try:
        return word in Path(f"/proc/{pid}/cmdline").read_bytes()
    except OSError:
        return False
