"""What the running service gives back to the system, it can still use."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

from dashboards.lean import COMPILER, give_back
from detect.parlor import ParlorDetector
from detect.readings import StallVacuum


def resident_kb(library: str) -> int:
    """Return how much of a library is resident [kB]."""
    parts = re.split(r"\n(?=[0-9a-f]+-[0-9a-f]+ )", Path("/proc/self/smaps").read_text())
    sizes = [re.search(r"^Rss: +(\d+)", part, re.M) for part in parts if library in part.split("\n")[0]]
    return sum(int(size[1]) for size in sizes if size)


def test_the_compiler_gives_its_pages_back_and_still_works() -> None:
    """Most of it leaves memory, and a detector that needs its code afterwards gets it."""
    detector = ParlorDetector(parlor="willowmere", stalls=1)
    before = resident_kb(COMPILER)
    assert give_back(COMPILER) > 0
    assert resident_kb(COMPILER) < before / 4
    for n in range(40):
        detector.feed(StallVacuum(1, n * 250_000_000, 100.0, np.full(25, 42.0)))
    assert detector.now()[0].vacuum_kpa == pytest.approx(42.0)


def test_a_library_that_is_not_loaded_has_nothing_to_give() -> None:
    """An unknown name drops nothing."""
    assert give_back("libnothing-of-the-kind") == 0
