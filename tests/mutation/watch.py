"""Plugins that note of each test what it reaches, how long it takes, and whether it passes."""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pytest

from tests.mutation.switch import SEEN


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
