"""Which modules are mutated, and which tests may kill the mutants of each."""

from __future__ import annotations

from pathlib import Path
from typing import Final

NO_LOGIC: Final = {
    *("__init__", "checkpoint", "errors", "kinds"),
    *("machine", "quarter_state", "readings", "views"),
}
"""Modules of ``detect`` without a decision: names, forms and the cache of machine code."""
TRANSACTIONS: Final = (
    *("history", "migrations", "engine", "detector_state", "progress", "quarantine", "gaps", "results"),
    *("clips", "incident", "log_copy", "salvage", "copying", "merge", "exchange", "faults"),
)
"""The store's path of a commit, and what opens, mends, copies and merges its file."""
SLOW: Final = {"test_laws", "test_machine"}
"""Files of tests that listen for minutes or start processes: for the survivors, with ``--tests``."""
WARM: Final = ("milkings", "falls", "claw", "foresee", "scene", "beat", "drain", "leak", "cause")
"""Tests of hand-written signals, which compile the kernel and start no threads."""
STORE_TESTS: Final = tuple(
    f"tests/store/test_{name}.py"
    for name in (
        *("history", "migrations", "engine", "quarantine", "clips", "log_copy", "copying", "exchange"),
        *("faults", "maintenance", "rows", "fleet_ledger"),
    )
)


def targets(home: Path) -> dict[str, tuple[str, ...]]:
    """Return the tests of each module that is mutated, by the module's name."""
    quick = tuple(
        f"tests/detect/{path.name}"
        for path in sorted((home / "tests/detect").glob("test_*.py"))
        if path.stem not in SLOW
    )
    detect = sorted(path.stem for path in (home / "detect").glob("*.py") if path.stem not in NO_LOGIC)
    return {
        **{f"detect.{name}": quick for name in detect},
        **{f"store.{name}": STORE_TESTS for name in TRANSACTIONS if (home / f"store/{name}.py").exists()},
    }


def warm(module: str) -> tuple[str, ...]:
    """Return the tests that compile what the tests of a module need."""
    return tuple(f"tests/detect/test_{name}.py" for name in WARM) if module.startswith("detect.") else ()
