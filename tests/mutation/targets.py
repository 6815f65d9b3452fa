"""Which modules are mutated, and which tests may kill the mutants of each."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Final

from tests.mutation.loader import source

NO_LOGIC: Final = {
    *("__init__", "checkpoint", "errors", "kinds"),
    *("machine", "quarter_state", "readings", "views"),
}
"""Modules of ``detect`` without a decision: names, forms and the cache of machine code."""
TRANSACTIONS: Final = {
    "history": "history faults log_copy maintenance migrations",
    "migrations": "migrations rows",
    "engine": "engine rows history",
    "detector_state": "history",
    "progress": "history",
    "quarantine": "quarantine history",
    "gaps": "gaps history",
    "results": "history rows",
    "clips": "clips",
    "log_copy": "log_copy_records log_copy",
    "salvage": "log_copy engine",
    "copying": "copying",
    "merge": "merge exchange",
    "exchange": "exchange",
    "faults": "faults engine",
}
"""The store's path of a commit, what opens, mends, copies and merges its file, and the tests of each."""
SCRIPTED: Final = ("milkings", "falls", "scene", "cause")
"""Tests of detect on hand-written signals: they reach most of it and take a second each."""
ALSO: Final = {
    "condition": "condition_judges",
    "condition_params": "params_edges",
    "evidence": "episode",
    "leak": "condition_judges",
    "norms": "condition_judges",
    "results": "tell",
}
"""Whose tests speak for a module that has none of its own."""
LOOKS: Final = {"beat", "condition", "drain", "episode", "leak", "norms", "quarter"}
"""Modules whose own tests stand on a simulated record of an hour, in ``test_condition``."""
THREADED: Final = ("tests.detect.record", "simulator.rotary")
"""Words of tests whose libraries start threads."""
WRITTEN: Final = ("Parlor.of(",)
"""Words of tests on whole hand-written milkings, for which the interpreter would take minutes."""


def targets(home: Path, *, interpreted: bool = True, own: bool = False) -> dict[str, tuple[str, ...]]:
    """Return the tests of each module that is mutated, by the module's name.

    A kernel that is interpreted is tried by its own tests alone, which call its functions one by one; with
    ``own`` every module is.
    """
    detect = sorted(path.stem for path in (home / "detect").glob("*.py") if path.stem not in NO_LOGIC)
    return {
        **{
            f"detect.{name}": _own_tests(home, name)
            if own or (interpreted and is_kernel(home, f"detect.{name}"))
            else _detect_tests(home, name)
            for name in detect
        },
        **{
            f"store.{name}": tuple(f"tests/store/test_{test}.py" for test in tests.split())
            for name, tests in TRANSACTIONS.items()
        },
    }


def is_kernel(home: Path, module: str) -> bool:
    """Tell whether a module holds compiled functions."""
    return "@compiled" in source(home, module).read_text()


def _own_tests(home: Path, module: str) -> tuple[str, ...]:
    """Return a module's own tests that call its functions, without a record and a whole milking."""
    files = [
        f"test_{module}.py",
        *sorted(f.name for f in (home / "tests/detect").glob(f"test_{module}_*.py")),
    ]
    files += [f"test_{ALSO[module]}.py"] if module in ALSO else []
    tests = [f"tests/detect/{file}" for file in files if (home / "tests/detect" / file).exists()]
    return tuple(t for t in warm(home, tests) if not _speaks(home, t, WRITTEN))


def _detect_tests(home: Path, module: str) -> tuple[str, ...]:
    """Return a module's own tests and those of hand-written signals; the others are for ``--tests``."""
    names = [module, ALSO.get(module, module), *(("condition",) if module in LOOKS else ()), *SCRIPTED]
    own = [f"test_{module}.py", *sorted(f.name for f in (home / "tests/detect").glob(f"test_{module}_*.py"))]
    files = dict.fromkeys(f"tests/detect/{file}" for file in [*own, *(f"test_{name}.py" for name in names)])
    return tuple(file for file in files if (home / file).exists())


def warm(home: Path, tests: Iterable[str]) -> tuple[str, ...]:
    """Return the tests that compile what all need and start no threads: those without a simulated record."""
    return tuple(test for test in tests if not _speaks(home, test, THREADED))


def _speaks(home: Path, test: str, words: tuple[str, ...]) -> bool:
    """Tell whether a file of tests holds one of some words."""
    return any(word in (home / test).read_text() for word in words)
