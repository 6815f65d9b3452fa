"""The wash after milking: units on jetters, water in the tubes, air slugs at the injector's beat.

No message tells of it: no cow stands at the stall, the arm is parked, yet there is vacuum and flow.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.worlds.plant import RATE_HZ, wander
from tests.worlds.track import Track, paint

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class WashBeat:
    """The air injector of the parlor: opens for ``open_s`` every ``period_s`` between two instants [s]."""

    start_s: float
    end_s: float
    period_s: float
    open_s: float


def draw_beat(rng: np.random.Generator, span: tuple[float, float]) -> WashBeat:
    """Draw the injector's setting."""
    return WashBeat(*span, period_s=rng.uniform(20.0, 40.0), open_s=rng.uniform(2.0, 5.0))


def lay_wash(rng: np.random.Generator, track: Track, beat: WashBeat) -> None:
    """Lay vacuum, water, a leaking jetter, and slugs of air that come nearly together at all stalls."""
    start, end = beat.start_s + rng.uniform(0.0, 25.0), beat.end_s - rng.uniform(0.0, 15.0)
    first, last = int(start * RATE_HZ), int(end * RATE_HZ)
    paint(track.valve, start, end, 1.0)
    paint(track.leak_mm2, start, end, rng.uniform(0.0, 1.5))
    water = rng.uniform(2.0, 6.0) * (1.0 + 0.15 * wander(rng, last - first, 5.0, RATE_HZ))
    track.flow_kg_min[first:last] = np.clip(water, 0.0, None)
    delay = rng.uniform(0.0, 1.5)
    at = beat.start_s + 30.0 + delay
    while at < end - 10.0:
        length = beat.open_s * rng.uniform(0.8, 1.2)
        paint(track.leak_mm2, at, at + length, rng.uniform(15.0, 70.0))
        paint(track.flow_kg_min, at + 0.3, at + length, 0.3)
        at += beat.period_s + rng.normal(0.0, 0.3)
    noise = np.exp(0.4 * wander(rng, last - first, 0.2, RATE_HZ))
    track.leak_mm2[first:last] *= noise
