"""Figures of the benchmark: timed several times, told as rows of one table, with the machine they are of."""

from __future__ import annotations

import gc
import math
import os
import platform
import statistics
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from importlib import metadata
from pathlib import Path
from typing import Final

import numpy as np

LIBRARIES: Final = ("numpy", "numba", "duckdb", "polars", "pydantic", "bytewax", "streamz")
HEADER: Final = "| part | measured | figure | bar | held |\n|---|---|---|---|---|"


@dataclass(frozen=True, slots=True)
class Size:
    """How much work a run is.

    ``runs`` of each figure, ``seconds`` of signal of ``stalls`` stalls, ``replay_s`` of it in a capture and
    ``long_replay_s`` in another, a season of ``cows`` and ``days``, ``milkings`` stored to weigh them.
    """

    runs: int
    stalls: int
    seconds: int
    replay_s: int
    long_replay_s: int
    cows: int
    days: int
    milkings: int


FULL: Final = Size(
    runs=5,
    stalls=80,
    seconds=360,
    replay_s=1800,
    long_replay_s=3600,
    cows=3014,
    days=365,
    milkings=30_000,
)
"""A year of 80 stalls is 2.2 million milkings: 3014 cows twice a day."""
TINY: Final = Size(
    runs=1, stalls=4, seconds=10, replay_s=10, long_replay_s=20, cows=20, days=70, milkings=500
)
"""Enough to see that every part runs."""


@dataclass(frozen=True, slots=True)
class Row:
    """One figure; ``held`` is None where there is no bar."""

    part: str
    what: str
    figure: str
    bar: str = ""
    held: bool | None = None

    def __str__(self) -> str:
        verdict = {None: "", True: "yes", False: "**no**"}[self.held]
        return f"| {self.part} | {self.what} | {self.figure} | {self.bar} | {verdict} |"


@dataclass(frozen=True, slots=True)
class Timing:
    """Medians over all runs: by the clock and of this process's processors [s]."""

    clock_s: float
    cpu_s: float


class Stopwatch:
    """Collects the runs of one thing, so that rivals can be run in turns."""

    def __init__(self) -> None:
        self._clock_s: list[float] = []
        self._cpu_s: list[float] = []

    def run(self, work: Callable[[], object]) -> None:
        """Time one run, with garbage of earlier ones cleared away before."""
        gc.collect()
        clock, cpu = time.perf_counter(), time.process_time()
        work()
        self._cpu_s.append(time.process_time() - cpu)
        self._clock_s.append(time.perf_counter() - clock)

    @property
    def timing(self) -> Timing:
        """Return the medians."""
        return Timing(statistics.median(self._clock_s), statistics.median(self._cpu_s))


def in_turns(rivals: dict[str, Callable[[], object]], runs: int) -> dict[str, Timing]:
    """Run rivals side by side, one after the other in each round, and return their medians."""
    watches = {name: Stopwatch() for name in rivals}
    for _ in range(runs):
        for name, work in rivals.items():
            watches[name].run(work)
    return {name: watch.timing for name, watch in watches.items()}


def exponent(sizes: Sequence[float], figures: Sequence[float]) -> float:
    """Return the slope of log figure over log size: 1 is growth in proportion."""
    return float(np.polyfit(np.log(sizes), np.log(figures), 1)[0])


def significant(value: float) -> str:
    """Return a number with three significant digits and no exponent."""
    if value == 0.0:
        return "0"
    return f"{value:.{max(0, 2 - math.floor(math.log10(abs(value))))}f}"


def machine() -> str:
    """Return the machine in words: processor, cores, versions, load now."""
    names = [line.partition(":")[2].strip() for line in _cpu_lines() if line.startswith("model name")]
    versions = ", ".join(f"{name} {_version(name)}" for name in LIBRARIES if _version(name))
    load = os.getloadavg()[0]
    return (
        f"{names[0] if names else platform.processor()}, {os.cpu_count()} cores, Python "
        f"{platform.python_version()}, {versions}; load {load:.1f} at the start"
    )


def _cpu_lines() -> list[str]:
    path = Path("/proc/cpuinfo")
    return path.read_text().splitlines() if path.exists() else []


def _version(name: str) -> str | None:
    try:
        return metadata.version(name)
    except metadata.PackageNotFoundError:
        return None
