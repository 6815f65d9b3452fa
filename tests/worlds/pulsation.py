"""The beat of the pulsator: a stroke of the liners that the claw's gas must follow, or a fixed ripple."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.worlds.plant import RATE_HZ, wander
from tests.worlds.ranges import Ranges, draw

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Pulsator:
    """Settings of a parlor."""

    beats_min: float
    ratio: float
    alternate: bool


def draw_pulsator(rng: np.random.Generator, ranges: Ranges) -> Pulsator:
    """Draw 60:40 or 65:35, alternate or all four together."""
    return Pulsator(draw(rng, ranges.beats_min), float(rng.choice([0.60, 0.65])), bool(rng.random() < 0.6))


def beat(rng: np.random.Generator, pulsator: Pulsator, size: int) -> FloatArray:
    """Return the phase [beats] over time: each pulsator has its own rate and a slight jitter."""
    rate = pulsator.beats_min / 60.0 * (1.0 + 0.004 * rng.normal())
    jitter = 0.004 * wander(rng, size, 8.0, RATE_HZ)
    return rng.uniform() + np.cumsum(rate * (1.0 + jitter)) / RATE_HZ


def _opening(phase: FloatArray, ratio: float) -> FloatArray:
    """Return how far a liner is open, 0 to 1: it opens in the a-phase and shuts in the c-phase."""
    x = phase % 1.0
    a, c = 0.15, 0.11
    rising = np.clip(x / a, 0.0, 1.0)
    falling = np.clip((x - ratio) / c, 0.0, 1.0)
    smooth = np.minimum(rising, 1.0 - falling)
    return smooth * smooth * (3.0 - 2.0 * smooth)


def stroke_l_s(rng: np.random.Generator, ranges: Ranges, pulsator: Pulsator, phase: FloatArray) -> FloatArray:
    """Return by how much the gas room of all liners grows [L/s]."""
    stroke = draw(rng, ranges.stroke_ml) * 1e-3
    if pulsator.alternate:
        volume = (
            2.0 * stroke * (_opening(phase, pulsator.ratio) + 0.9 * _opening(phase + 0.5, pulsator.ratio))
        )
    else:
        volume = 1.6 * stroke * _opening(phase, pulsator.ratio)
    return np.gradient(volume) * RATE_HZ


def ripple_kpa(rng: np.random.Generator, ranges: Ranges, pulsator: Pulsator, phase: FloatArray) -> FloatArray:
    """Return a periodic ripple of the drawn peak to peak and four harmonics of random phase."""
    strength = np.array([0.5, 1.0, 0.25, 0.3] if pulsator.alternate else [1.0, 0.5, 0.3, 0.15])
    strength = strength * rng.uniform(0.7, 1.3, 4)
    shift = rng.uniform(0.0, 1.0, 4)
    cycle = np.linspace(0.0, 1.0, 400, endpoint=False)
    order = np.arange(1, 5)[:, None]
    one = (strength[:, None] * np.sin(2 * np.pi * (order * cycle + shift[:, None]))).sum(axis=0)
    one *= draw(rng, ranges.ripple_kpa) / (one.max() - one.min())
    slow = 1.0 + 0.08 * wander(rng, phase.size, 15.0, RATE_HZ)
    return np.interp(phase % 1.0, cycle, one, period=1.0) * slow
