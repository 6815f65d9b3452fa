"""Try the mutants of one module: run its tests once to see who reaches what, then a forked child a mutant."""

from __future__ import annotations

import mmap
import os
import pickle
import random
import signal
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from enum import Enum
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.mutation.loader import install
from tests.mutation.switch import ACTIVE, NO_MUTANT, SEEN
from tests.mutation.transform import Mutant

OPTIONS = ["-q", "-x", "-n", "0", "-p", "no:cacheprovider", "-o", "addopts=", "--import-mode=importlib"]
PATIENCE = 5.0
"""A test may take this many times as long as without a mutant, and ``GRACE_S`` on top."""
GRACE_S = 20.0
LOOK_S = 0.02
AT = np.frombuffer(mmap.mmap(-1, 8), np.int64)
"""Which of its tests a child is at: memory that parent and child share."""


class Fate(Enum):
    """What became of a mutant."""

    KILLED = "killed"
    CRASHED = "crashed"
    ENDLESS = "endless"
    SURVIVED = "survived"
    UNREACHED = "unreached"


@dataclass(frozen=True, slots=True)
class Plan:
    """One module, the tests that may kill its mutants, how many to draw, and how long a test may be [s]."""

    module: str
    tests: tuple[str, ...]
    sample: int
    seed: int
    longest_s: float
    warm: tuple[str, ...] = ()
    """Tests that make numba compile all that the others need."""


@dataclass(slots=True, eq=False)
class Watch:
    """A plugin that notes which mutants each test reaches and how long it takes.

    What a fixture of wider scope reaches and takes is counted for every test that uses it.
    """

    reached: dict[str, np.ndarray] = field(default_factory=dict)
    seconds: dict[str, float] = field(default_factory=dict)
    shared: dict[str, np.ndarray] = field(default_factory=dict)
    shared_s: dict[str, float] = field(default_factory=dict)
    spent_s: float = 0.0

    @pytest.hookimpl(wrapper=True)
    def pytest_fixture_setup(self, fixturedef: Any) -> Iterator[None]:
        """Keep apart what a shared fixture reaches and takes."""
        if fixturedef.scope == "function":
            return (yield)
        before, begin, name = SEEN.copy(), time.perf_counter(), fixturedef.argname
        SEEN[:] = 0
        value = yield
        self.shared[name] = self.shared.get(name, np.zeros_like(SEEN)) | SEEN
        took_s = time.perf_counter() - begin
        self.shared_s[name] = max(self.shared_s.get(name, 0.0), took_s)
        self.spent_s += took_s
        SEEN[:] |= before
        return value

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Iterator[None]:
        """Begin each test with nothing seen."""
        SEEN[:], self.spent_s, begin = 0, 0.0, time.perf_counter()
        value = yield
        names = [name for name in getattr(item, "fixturenames", ()) if name in self.shared]
        self.reached[item.nodeid] = np.bitwise_or.reduce([SEEN, *(self.shared[name] for name in names)])
        own_s = max(time.perf_counter() - begin - self.spent_s, 0.0)
        self.seconds[item.nodeid] = own_s + sum(self.shared_s[name] for name in names)
        return value


@dataclass(slots=True, eq=False)
class Outcomes:
    """A plugin that notes which tests failed."""

    failed: set[str] = field(default_factory=set)

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        """Note a test that failed in any of its phases or was skipped."""
        if report.outcome != "passed":
            self.failed.add(report.nodeid)


@dataclass(slots=True)
class Trial:
    """The mutants of one module and which tests reach them."""

    plan: Plan
    home: Path
    mutants: list[Mutant] = field(default_factory=list)
    watch: Watch = field(default_factory=Watch)
    failing: list[str] = field(default_factory=list)
    """Tests that fail because mutants are built in; they are not used."""

    def prepare(self) -> None:
        """Build the mutants in, compile them, and see in a child which tests pass and what they reach.

        This process itself runs the tests of hand-written signals only: what it must not do is start the
        threads of a library, which a fork would leave behind.
        """
        self.mutants = install(self.plan.module, self.home)
        __import__(self.plan.module)
        pytest.main([*OPTIONS, "--collect-only", *self.plan.tests])
        if self.plan.warm:
            pytest.main([*OPTIONS, *self.plan.warm])
        self.watch, failed, no_mutant = _in_child(self._scouted)
        NO_MUTANT[:] |= no_mutant
        self.failing = sorted(failed)
        slow = {test for test, seconds in self.watch.seconds.items() if seconds > self.plan.longest_s}
        for test in failed | slow:
            self.watch.reached.pop(test, None)

    def _scouted(self) -> tuple[Watch, set[str], np.ndarray]:
        """Run all tests once, without any mutant."""
        watch, outcomes = Watch(), Outcomes()
        options = [option for option in OPTIONS if option != "-x"]
        pytest.main([*options, *self.plan.tests], plugins=[watch, outcomes])
        return watch, outcomes.failed, NO_MUTANT

    def leave_out_failing(self) -> None:
        """Run all tests as a mutant would, without one; those that fail could kill nothing honestly."""
        failed = _in_child(self._controlled)
        self.failing = sorted({*self.failing, *failed})
        for test in failed:
            self.watch.reached.pop(test, None)

    def _controlled(self) -> set[str]:
        outcomes, tests = Outcomes(), self._ordered(self.watch.reached)
        options = [option for option in OPTIONS if option != "-x"]
        pytest.main([*options, *_in_order(tests)], plugins=[Order(tests), outcomes])
        return outcomes.failed

    def drawn(self) -> list[Mutant]:
        """Draw the sample, the same for the same seed."""
        real = [m for m in self.mutants if not self._no_mutant(m)]
        count = min(self.plan.sample or len(real), len(real))
        chosen = random.Random(f"{self.plan.seed} {self.plan.module}").sample(real, count)
        return sorted(chosen, key=lambda mutant: mutant.number)

    def _no_mutant(self, mutant: Mutant) -> bool:
        """Tell whether a change was only ever met where it is none."""
        met = any(reached[mutant.number] for reached in self.watch.reached.values())
        return bool(NO_MUTANT[mutant.number]) and not met

    def _ordered(self, tests: Iterable[str]) -> list[str]:
        """Sort tests, the fastest first, but file by file: what a file shares is made once."""
        own, whole = self.watch.seconds, Counter[str]()
        for test in tests:
            whole[_file(test)] += own[test]
        return sorted(tests, key=lambda test: (whole[_file(test)], _file(test), own[test]))

    def fate(self, mutant: Mutant) -> Fate:
        """Run the tests that reach a mutant in a child of its own."""
        tests = [test for test, reached in self.watch.reached.items() if reached[mutant.number]]
        return self._run(mutant, tests) if tests else Fate.UNREACHED

    def _run(self, mutant: Mutant, tests: list[str]) -> Fate:
        """Run tests in a child."""
        tests = self._ordered(tests)
        AT[0] = 0
        child = os.fork()
        if child == 0:
            _live(mutant.number, tests)
        return _awaited(child, [GRACE_S + PATIENCE * self.watch.seconds[test] for test in tests])


def _in_child(work: Callable[[], Any]) -> Any:
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


def _live(number: int, tests: list[str]) -> None:
    """Be the mutant: run the tests and end with what pytest says. Never returns."""
    os.setsid()
    silence = os.open(os.devnull, os.O_RDWR)
    for stream in (0, 1, 2):
        os.dup2(silence, stream)
    ACTIVE[0] = number
    code = 70
    try:
        code = int(pytest.main([*OPTIONS, *_in_order(tests)], plugins=[Order(tests)]))
    finally:
        os._exit(code)


@dataclass(slots=True, eq=False)
class Order:
    """A plugin that runs the tests in the order given."""

    tests: list[str]

    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        """Sort what was collected, and leave out what was not asked for."""
        place = {test: i for i, test in enumerate(self.tests)}
        items[:] = sorted((item for item in items if item.nodeid in place), key=lambda i: place[i.nodeid])

    def pytest_runtest_logstart(self, nodeid: str) -> None:
        """Tell the parent which test begins."""
        AT[0] = self.tests.index(nodeid)


def _file(test: str) -> str:
    return test.partition("::")[0]


def _in_order(tests: list[str]) -> list[str]:
    """Return the files of tests, each once: collecting a file is cheaper than a thousand names."""
    return list(dict.fromkeys(_file(test) for test in tests))


def _awaited(child: int, limits_s: list[float]) -> Fate:
    """Wait for a child, at each of its tests as long as that one may take, and tell its mutant's fate."""
    at, end = 0, time.monotonic() + limits_s[0]
    while time.monotonic() < end:
        ended, status = os.waitpid(child, os.WNOHANG)
        if ended:
            return _told(status)
        if AT[0] != at:
            at = int(AT[0])
            end = time.monotonic() + limits_s[at]
        time.sleep(LOOK_S)
    os.killpg(child, signal.SIGKILL)
    os.waitpid(child, 0)
    return Fate.ENDLESS


def _told(status: int) -> Fate:
    """Translate how a child ended."""
    if os.WIFSIGNALED(status):
        return Fate.CRASHED
    code = os.WEXITSTATUS(status)
    if code == pytest.ExitCode.OK:
        return Fate.SURVIVED
    if code in (pytest.ExitCode.TESTS_FAILED, pytest.ExitCode.INTERRUPTED):
        return Fate.KILLED
    sys.exit(f"the tests of a mutant could not be run: pytest ended with {code}")
