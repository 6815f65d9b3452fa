"""Try the mutants of a room: run its tests once to see who reaches what, then a forked child a mutant."""

from __future__ import annotations

import ast
import random
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pytest

from tests.mutation.children import OPTIONS, Fate, Job, Order, fates, files, in_child
from tests.mutation.loader import install, source
from tests.mutation.prune import pruned
from tests.mutation.switch import MOST, NO_MUTANT
from tests.mutation.transform import Mutant, mutated
from tests.mutation.watch import Outcomes, Watch

PATIENCE = 5.0
"""A test may take this many times as long as without a mutant, and ``GRACE_S`` on top."""
GRACE_S = 10.0
SPARE = 1.8
"""So many times the sample is built in: some changes turn out to be none."""


@dataclass(frozen=True, slots=True)
class Plan:
    """What to try: modules of one room and the tests that may kill the mutants of each.

    Attributes
    ----------
    modules:
        Files of tests by module.
    sample, seed:
        Mutants to draw of each module, 0 for all; the same seed draws the same ones.
    only:
        Numbers to try instead, by module; empty for a drawn sample.
    longest_s:
        Tests that take longer are left out [s].
    workers:
        Mutants tried at the same time.
    warm:
        Tests that make numba compile all that the others need.
    """

    modules: Mapping[str, tuple[str, ...]]
    sample: int
    seed: int
    only: Mapping[str, tuple[int, ...]]
    longest_s: float
    workers: int
    warm: tuple[str, ...] = ()

    @property
    def tests(self) -> list[str]:
        """All files of tests, each once."""
        return list(dict.fromkeys(test for tests in self.modules.values() for test in tests))


@dataclass(slots=True)
class Module:
    """A module's mutants, by number less one; the switch knows each by its number above ``base``."""

    name: str
    base: int
    mutants: list[Mutant]
    order: list[Mutant]
    """In the order of drawing."""

    def key(self, mutant: Mutant) -> int:
        """Return the switch's number."""
        return self.base + mutant.number


@dataclass(slots=True)
class Trial:
    """The mutants of a room and which tests reach them."""

    plan: Plan
    home: Path
    modules: list[Module] = field(default_factory=list)
    watch: Watch = field(default_factory=Watch)
    failing: list[str] = field(default_factory=list)
    """Tests that fail because mutants are built in; they are not used."""

    def prepare(self) -> None:
        """Build the mutants in, compile them, and see in a child which tests pass and what they reach.

        This process itself runs the tests of hand-written signals only: what it must not do is start the
        threads of a library, which a fork would leave behind.
        """
        install(self._built(), self.home)
        pytest.main([*OPTIONS, "--collect-only", *self.plan.tests])
        if self.plan.warm:
            pytest.main([*OPTIONS, *self.plan.warm])
        self.watch, failed, no_mutant = in_child(self._scouted)
        NO_MUTANT[:] |= no_mutant
        self.failing = sorted(failed)
        slow = {test for test, seconds in self.watch.seconds.items() if seconds > self.plan.longest_s}
        for test in failed | slow:
            self.watch.reached.pop(test, None)

    def _built(self) -> dict[str, ast.Module]:
        """Build mutants into all modules, in each the drawn ones and some to spare."""
        trees, base = dict[str, ast.Module](), 0
        for name in self.plan.modules:
            tree, mutants = mutated(source(self.home, name).read_text(), base)
            module = Module(name, base, mutants, self._shuffled(name, mutants))
            wanted = round(SPARE * self.plan.sample) if self.plan.sample else len(mutants)
            trees[name] = pruned(tree, {module.key(mutant) for mutant in module.order[:wanted]})
            self.modules.append(module)
            base += len(mutants)
        if base >= MOST:
            raise ValueError(f"{base} mutants are more than {MOST}: name some modules only")
        return trees

    def _shuffled(self, name: str, mutants: list[Mutant]) -> list[Mutant]:
        """Return mutants in the order of drawing, or those asked for."""
        only = self.plan.only.get(name, ())
        if only:
            return [mutant for mutant in mutants if mutant.number in only]
        return random.Random(f"{self.plan.seed} {name}").sample(mutants, len(mutants))

    def _scouted(self) -> tuple[Watch, set[str], np.ndarray]:
        """Run all tests once, without any mutant."""
        watch, outcomes = Watch(), Outcomes()
        options = [option for option in OPTIONS if option != "-x"]
        pytest.main([*options, *self.plan.tests], plugins=[watch, outcomes])
        return watch, outcomes.failed, NO_MUTANT

    def leave_out_failing(self) -> None:
        """Run all tests as a mutant would, without one; those that fail could kill nothing honestly."""
        failed = in_child(self._controlled)
        self.failing = sorted({*self.failing, *failed})
        for test in failed:
            self.watch.reached.pop(test, None)

    def _controlled(self) -> set[str]:
        outcomes, tests = Outcomes(), self._ordered(self.watch.reached)
        options = [option for option in OPTIONS if option != "-x"]
        pytest.main([*options, *files(tests)], plugins=[Order(tests), outcomes])
        return outcomes.failed

    def drawn(self, module: Module) -> list[Mutant]:
        """Draw the sample, the same for the same seed."""
        real = [m for m in module.order if not self._no_mutant(module.key(m))]
        return sorted(real[: self.plan.sample or len(real)], key=lambda mutant: mutant.number)

    def _no_mutant(self, key: int) -> bool:
        """Tell whether a change was only ever met where it is none."""
        met = any(reached[key] for reached in self.watch.reached.values())
        return bool(NO_MUTANT[key]) and not met

    def _ordered(self, tests: Iterable[str], first: AbstractSet[str] = frozenset()) -> list[str]:
        """Sort tests by file, since what a file shares is made once: a module's own, then the fastest."""
        own, whole = self.watch.seconds, Counter[str]()
        for test in tests:
            whole[_file(test)] += own[test]
        return sorted(tests, key=lambda t: (_file(t) not in first, whole[_file(t)], _file(t), own[t]))

    def fates(self) -> Iterator[tuple[Module, Mutant, Fate]]:
        """Run for every drawn mutant the tests of its module that reach it, in a child of its own."""
        jobs, whose = list[Job](), dict[int, tuple[Module, Mutant]]()
        for module in self.modules:
            allowed = set(self.plan.modules[module.name])
            own = {f for f in allowed if Path(f).stem.startswith(f"test_{module.name.partition('.')[2]}")}
            for mutant in self.drawn(module):
                key = module.key(mutant)
                tests = [t for t, seen in self.watch.reached.items() if seen[key] and _file(t) in allowed]
                if not tests:
                    yield module, mutant, Fate.UNREACHED
                    continue
                tests = self._ordered(tests, own)
                jobs.append(Job(key, tests, [GRACE_S + PATIENCE * self.watch.seconds[t] for t in tests]))
                whose[key] = module, mutant
        for job, fate in fates(jobs, self.plan.workers):
            yield *whose[job.number], fate


def _file(test: str) -> str:
    return test.partition("::")[0]
