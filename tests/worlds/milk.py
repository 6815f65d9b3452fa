"""Milk of one cow: four quarters that let down, flow, and run dry one after another.

Each quarter gives ``min(p r(t), left / tau)``: a plateau p behind a smooth incline r, then an exponential
decline as the milk at hand runs out. A bimodal cow has only her cistern at hand at first; once the
alveolar milk comes she inclines again.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numba import njit
from numpy.typing import NDArray

from tests.worlds.ranges import Ranges, draw

FloatArray = NDArray[np.float64]

STEP_S: Final = 0.1
LONGEST_S: Final = 1200.0
USUAL_ROTATION_S: Final = 480.0
"""Yields and delays of the ranges belong to it; a faster platform gets less milk a cow."""
DRY_KG_MIN: Final = 0.06
"""Flow of a quarter below which it counts as dry."""


@dataclass(frozen=True, slots=True)
class Curve:
    """Flow over the time the unit is on: ``flow_kg_min[k]`` and dry quarters at ``k * STEP_S``."""

    flow_kg_min: FloatArray
    dry: FloatArray
    take_off_s: float

    @property
    def peak_kg_min(self) -> float:
        return float(self.flow_kg_min.max())


@njit(cache=True)
def _quarters(cistern, alveolar, come_s, start_s, incline_s, plateau, tau_s, steps):
    """Return the flow [kg/min] of each quarter over time."""
    flow = np.zeros((4, steps))
    for q in range(4):
        left = cistern[q]
        waiting = alveolar[q]
        begun, held, f = start_s[q], 0.0, 0.0
        for k in range(steps):
            t = k * STEP_S
            if waiting > 0.0 and t >= come_s[q]:
                left += waiting
                waiting, begun, held = 0.0, t, f
            x = min(max((t - begun) / incline_s[q], 0.0), 1.0)
            most = held + (plateau[q] - held) * x * x * (3.0 - 2.0 * x)
            f = min(most, left / (tau_s[q] / 60.0))
            left -= f * STEP_S / 60.0
            flow[q, k] = f
    return flow


def draw_curve(
    rng: np.random.Generator, ranges: Ranges, rotation_s: float, limit: tuple[float, float]
) -> Curve:
    """Draw a cow's curve and the time at which the take-off shuts the valve.

    Parameters
    ----------
    limit:
        Take-off threshold [kg/min] and delay [s] of the parlor.
    """
    scale = rotation_s / USUAL_ROTATION_S
    shares = np.array([0.215, 0.215, 0.285, 0.285]) * rng.uniform(0.8, 1.2, 4)
    many = 1.7 if rng.random() < ranges.slow_share else 1.0
    yields = many * draw(rng, ranges.yield_kg) * scale * shares / shares.sum()
    plateau = np.array([0.9, 0.9, 1.1, 1.1]) * rng.uniform(0.8, 1.2, 4) * draw(rng, ranges.cow_speed)
    start = draw(rng, ranges.letdown_s) * scale + rng.uniform(0.0, 4.0, 4)
    if rng.random() < ranges.bimodal_share:
        start = rng.uniform(0.0, 4.0, 4)
        cistern, come = 0.2 * yields, start + rng.uniform(55.0, 85.0) * scale + rng.uniform(0.0, 6.0, 4)
    else:
        cistern, come = yields, np.zeros(4)
    steps = int(LONGEST_S / STEP_S)
    quarters = _quarters(
        cistern,
        yields - cistern,
        come,
        start,
        rng.uniform(*ranges.incline_s, 4),
        plateau,
        rng.uniform(18, 32, 4),
        steps,
    )
    flow = quarters.sum(axis=0)
    dry = ((quarters < DRY_KG_MIN) & (np.cumsum(quarters, axis=1) > 0.0)).sum(axis=0)
    dry[: int(np.argmax(flow))] = 0
    return Curve(flow, dry.astype(np.float64), _take_off(flow, limit, scale))


def _take_off(flow: FloatArray, limit: tuple[float, float], scale: float) -> float:
    """Return when flow has stayed below the threshold for the delay, after a least time of 100 s."""
    threshold, delay_s = limit
    above = np.flatnonzero(flow >= threshold)
    last = above[-1] * STEP_S if above.size else 0.0
    return max(100.0 * scale, last) + delay_s


def at(values: FloatArray, seconds: FloatArray) -> FloatArray:
    """Return values of a curve at times the unit has been on."""
    return np.interp(seconds, np.arange(values.size) * STEP_S, values)
