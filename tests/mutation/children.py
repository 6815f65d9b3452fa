"""Children of a process: one mutant each, several at a time, watched until they end or take too long."""

from __future__ import annotations

import mmap
import os
import pickle
import signal
import sys
import tempfile
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from enum import Enum
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.mutation.switch import ACTIVE

OPTIONS = ["-q", "-x", "-n", "0", "-p", "no:cacheprovider", "-o", "addopts=", "--import-mode=importlib"]
LOOK_S = 0.02
PLACES = 16
"""Children at the same time at the most."""
AT = np.frombuffer(mmap.mmap(-1, 8 * PLACES), np.int64)
"""Which of its tests each child is at: memory that parent and children share."""
BROKEN = 70
"""A child whose pytest itself was brought down, by something that a mutant left lying about."""


class Fate(Enum):
    """What became of a mutant."""

    KILLED = "killed"
    CRASHED = "crashed"
    ENDLESS = "endless"
    SURVIVED = "survived"
    UNREACHED = "unreached"


@dataclass(frozen=True, slots=True)
class Job:
    """A mutant's number at the switch, and the tests it has to pass with the seconds each may take."""

    number: int
    tests: Sequence[str]
    limits_s: Sequence[float]


@dataclass(slots=True, eq=False)
class Order:
    """A plugin that runs the tests in the order given."""

    tests: Sequence[str]
    place: int = 0

    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        """Sort what was collected, and leave out what was not asked for."""
        rank = {test: i for i, test in enumerate(self.tests)}
        items[:] = sorted((item for item in items if item.nodeid in rank), key=lambda i: rank[i.nodeid])

    def pytest_runtest_logstart(self, nodeid: str) -> None:
        """Tell the parent which test begins."""
        AT[self.place] = self.tests.index(nodeid)


@dataclass(slots=True)
class Child:
    """A running child: its mutant, where it tells its test, and until when that may take."""

    job: Job
    place: int
    pid: int
    at: int = -1
    began_s: float = 0.0
    worked_s: float = 0.0

    def fate(self) -> Fate | None:
        """Return what became of it, None while it runs.

        A test's time is that of the processor, so that a busy machine makes no endless loop; what waits
        for something that never comes has ten times as long by the clock.
        """
        ended, status = os.waitpid(self.pid, os.WNOHANG)
        if ended:
            return _told(status)
        now, worked = time.monotonic(), _worked_s(self.pid)
        if AT[self.place] != self.at:
            self.at, self.began_s, self.worked_s = int(AT[self.place]), now, worked
        limit_s = self.job.limits_s[self.at]
        if worked - self.worked_s < limit_s and now - self.began_s < 10.0 * limit_s:
            return None
        os.killpg(self.pid, signal.SIGKILL)
        os.waitpid(self.pid, 0)
        return Fate.ENDLESS


def fates(jobs: Iterable[Job], workers: int) -> Iterator[tuple[Job, Fate]]:
    """Run jobs, so many at a time, and give what became of each as it ends."""
    waiting, running = list(jobs)[::-1], dict[int, Child]()
    while waiting or running:
        for place in range(min(workers, PLACES)):
            if waiting and place not in running:
                running[place] = _begun(waiting.pop(), place)
        for place, child in list(running.items()):
            fate = child.fate()
            if fate is not None:
                del running[place]
                yield child.job, fate
        time.sleep(LOOK_S)


def _worked_s(pid: int) -> float:
    """Return the processor time of a child and of those that it has waited for [s]."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return sum(map(int, fields[11:15])) / os.sysconf("SC_CLK_TCK")


def _begun(job: Job, place: int) -> Child:
    """Fork a child."""
    AT[place] = 0
    pid = os.fork()
    if pid == 0:
        _live(job, place)
    return Child(job, place, pid)


def _live(job: Job, place: int) -> None:
    """Be the mutant: run the tests and end with what pytest says. Never returns."""
    os.setsid()
    silence = os.open(os.devnull, os.O_RDWR)
    for stream in (0, 1, 2):
        os.dup2(silence, stream)
    ACTIVE[0] = job.number
    code = BROKEN
    try:
        code = int(pytest.main([*OPTIONS, *files(job.tests)], plugins=[Order(job.tests, place)]))
    finally:
        os._exit(code)


def files(tests: Iterable[str]) -> list[str]:
    """Return the files of tests, each once: collecting a file is cheaper than a thousand names."""
    return list(dict.fromkeys(test.partition("::")[0] for test in tests))


def _told(status: int) -> Fate:
    """Translate how a child ended."""
    if os.WIFSIGNALED(status):
        return Fate.CRASHED
    code = os.WEXITSTATUS(status)
    if code == pytest.ExitCode.OK:
        return Fate.SURVIVED
    if code in (pytest.ExitCode.TESTS_FAILED, pytest.ExitCode.INTERRUPTED, BROKEN):
        return Fate.KILLED
    sys.exit(f"the tests of a mutant could not be run: pytest ended with {code}")


def in_child(work: Callable[[], Any]) -> Any:
    """Do some work in a child and return what it returns."""
    with tempfile.TemporaryFile() as answer:
        child = os.fork()
        if child == 0:
            try:
                answer.write(pickle.dumps(work()))
                answer.flush()
            finally:
                os._exit(0)
        os.waitpid(child, 0)
        answer.seek(0)
        return pickle.loads(answer.read())  # noqa: S301 - our own child wrote it
