"""Vacuum of the plant and of the milk line at each stall."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from tests.worlds.events import AirEvent
from tests.worlds.ranges import Ranges, draw

FloatArray = NDArray[np.float64]

RATE_HZ: Final = 100.0


@dataclass(frozen=True, slots=True)
class Dip:
    """A fall of the whole plant; seconds since the start."""

    start_s: float
    end_s: float
    depth_kpa: float
    fall_s: float
    rise_s: float

    def shape(self, seconds: FloatArray) -> FloatArray:
        """Return the missing vacuum [kPa]."""
        down = np.clip((seconds - self.start_s) / self.fall_s, 0.0, 1.0)
        up = np.clip((self.end_s - seconds) / self.rise_s, 0.0, 1.0)
        return self.depth_kpa * np.minimum(down, up)


def draw_dips(rng: np.random.Generator, minutes: float) -> list[Dip]:
    """Draw one or two dips an hour of 1 to 4 kPa and 1 to 20 s, a minute apart at least."""
    count = int(rng.integers(1, 3)) if minutes >= 60 else int(rng.random() < minutes / 60.0 * 1.5)
    dips: list[Dip] = []
    while len(dips) < count:
        length = float(np.exp(rng.uniform(0.0, np.log(20.0))))
        start = rng.uniform(0.15, 0.85) * minutes * 60.0
        if all(abs(start - other.start_s) > 60.0 for other in dips):
            fall, rise = rng.uniform(0.1, 0.4) * length, rng.uniform(0.15, 0.5) * length
            dips.append(Dip(start, start + length, rng.uniform(1.0, 4.0), min(fall, 1.0), min(rise, 3.0)))
    return sorted(dips, key=lambda dip: dip.start_s)


def wander(rng: np.random.Generator, size: int, tau_s: float, rate_hz: float) -> FloatArray:
    """Return a first-order random wander of unit standard deviation."""
    a = float(np.exp(-1.0 / (tau_s * rate_hz)))
    noise = rng.normal(size=size) * np.sqrt(1.0 - a * a)
    return np.asarray(lfilter([1.0], [1.0, -a], noise, zi=[a * rng.normal()])[0])


def plant_vacuum(
    rng: np.random.Generator, ranges: Ranges, seconds: FloatArray, dips: list[Dip]
) -> FloatArray:
    """Return the vacuum at the receiver [kPa]: set point, slow regulation, hunting, and dips."""
    size = seconds.size
    level = draw(rng, ranges.line_kpa) + 0.10 * wander(rng, size, 25.0, RATE_HZ)
    level += 0.05 * wander(rng, size, 0.4, RATE_HZ)
    level += rng.uniform(0.0, 0.08) * np.sin(2 * np.pi * seconds / rng.uniform(1.2, 4.0))
    for dip in dips:
        level -= dip.shape(seconds)
    return level


def neighbour_dips(
    rng: np.random.Generator, seconds: FloatArray, stalls: int, events: list[AirEvent]
) -> dict[int, FloatArray]:
    """Return what the line misses at the two or three stalls nearest to each wide-open unit [kPa]."""
    missing: dict[int, FloatArray] = {}
    for event in events:
        if event.kind == "liner_slip":
            continue
        near = [1, -1] + ([int(rng.choice([2, -2]))] if rng.random() < 0.5 else [])
        for step in near:
            stall = (event.stall - 1 + step) % stalls + 1
            if stall == event.stall:
                continue
            depth = rng.uniform(0.2, 0.6) / abs(step) ** 0.5
            since = np.clip(seconds - event.start_s - 0.05, 0.0, None)
            after = np.clip(seconds - event.end_s, 0.0, None)
            # the regulator answers within seconds and takes most of it back
            open_part = (1 - np.exp(-since / 0.3)) * (0.4 + 0.6 * np.exp(-since / 4.0))
            held = missing.setdefault(stall, np.zeros(seconds.size))
            held += depth * open_part * np.exp(-after / 0.4) * (since > 0)
    return missing
