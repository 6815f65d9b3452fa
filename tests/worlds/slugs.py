"""Milk slugs in a long tube that climbs to a high line.

Slugs come one after another at 0.5 to 2 a second while milk flows. Each stands in the riser as a pressure
against the flow that grows, and lets go within a tenth of a second; the column behind it then swings past.
Most are small and a few are large, so what a claw sensor sees has heavy tails. A dry tube has none.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from tests.worlds.plant import RATE_HZ

FloatArray = NDArray[np.float64]

USUAL_KG_MIN: Final = 3.0
DRY_KG_MIN: Final = 0.15
"""Below this flow a tube is dry enough to carry no slug."""


@dataclass(frozen=True, slots=True)
class Slugging:
    """How one tube slugs: rate, median pressure at 3 kg/min, and spread of its logarithm."""

    rate_hz: float
    median_kpa: float
    log_sigma: float


def draw_slugging(rng: np.random.Generator) -> Slugging:
    """Draw a tube."""
    return Slugging(rng.uniform(0.6, 2.0), rng.uniform(1.9, 3.4), rng.uniform(0.8, 0.95))


def slug_kpa(rng: np.random.Generator, slugging: Slugging, flow_kg_min: FloatArray) -> FloatArray:
    """Return the pressure of the slugs against the flow over time [kPa]."""
    against = np.zeros(flow_kg_min.size)
    end_s = flow_kg_min.size / RATE_HZ
    at_s = 0.0
    while True:
        at_s += (0.3 + 0.7 * rng.exponential()) / slugging.rate_hz
        if at_s > end_s - 3.0:
            return against
        k = int(at_s * RATE_HZ)
        flow = flow_kg_min[k]
        if flow > DRY_KG_MIN:
            peak = slugging.median_kpa * np.exp(slugging.log_sigma * rng.normal())
            peak = min(peak, 16.0) * (flow / USUAL_KG_MIN) ** 0.8
            shape = peak * _shape(rng)
            against[k : k + shape.size] += shape[: against.size - k]


def _shape(rng: np.random.Generator) -> FloatArray:
    """Return one slug of height 1 at 100 Hz: growth, release, swing past."""
    grow, release, swing = rng.uniform(0.10, 0.45), rng.uniform(0.05, 0.15), rng.uniform(0.15, 0.40)
    t = np.arange(int((grow + release + swing) * RATE_HZ)) / RATE_HZ
    up = np.sin(0.5 * np.pi * np.clip(t / grow, 0.0, 1.0)) ** 2
    down = np.clip((t - grow) / release, 0.0, 1.0)
    past = np.sin(np.pi * np.clip((t - grow - release) / swing, 0.0, 1.0))
    return up * (1.0 - down) - rng.uniform(0.1, 0.5) * past
