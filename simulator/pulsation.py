"""Pulsation: the liners of a unit open and close and push the claw gas to and fro.

Two pairs of liners work in turn (alternate 2 x 2). A liner that opens makes room (the claw vacuum
rises), one that closes takes it away.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numba
import numpy as np

from simulator.claw import FloatArray


@dataclass(frozen=True, slots=True)
class Pulsation:
    """Settings of the pulsators.

    Parameters
    ----------
    rate_per_min
        Cycles a minute.
    ratio
        Share of a cycle in which a liner opens and stands open (60:40 is 0.6).
    swing_ratio
        Share of a cycle that opening, and closing, takes; engineering choice.
    displacement_l
        Volume one liner gains when it opens [L]; 8 to 12 mL give a claw ripple of 2.5 to 4 kPa.
    rate_spread
        Relative scatter of the rate between stalls; engineering choice.
    """

    rate_per_min: float = 60.0
    ratio: float = 0.6
    swing_ratio: float = 0.22
    displacement_l: float = 0.010
    rate_spread: float = 0.008


@numba.njit(cache=True)
def _swing(phase: float, start: float, width: float) -> float:
    """Return a raised cosine of unit area over ``width`` cycles from ``start``, else 0."""
    inside = (phase - start) % 1.0
    if inside >= width:
        return 0.0
    return float((1.0 - math.cos(2.0 * math.pi * inside / width)) / width)


@numba.njit(cache=True)
def fill_liner_rates(
    out: FloatArray, cycle: FloatArray, cycles_per_step: FloatArray, shape: FloatArray
) -> None:
    """Write the liners' volume rate [L/s] of every stall and step into ``out``.

    Parameters
    ----------
    out
        Result, shape (stalls, steps).
    cycle
        Cycle count of each stall at the first step [cycles]; advanced in place by the record.
    cycles_per_step
        Cycles a step; 0 stops the pulsator, shape (stalls,).
    shape
        Ratio, swing ratio, displacement of a pair [L], step [s].
    """
    ratio, width, pair_l, dt_s = shape[0], shape[1], shape[2], shape[3]
    for i in range(out.shape[0]):
        per_s = cycles_per_step[i] / dt_s
        for k in range(out.shape[1]):
            total = 0.0
            for shift in (0.0, 0.5):
                phase = cycle[i] + cycles_per_step[i] * k + shift
                total += _swing(phase, 0.0, width) - _swing(phase, ratio, width)
            out[i, k] = pair_l * per_s * total
        cycle[i] += cycles_per_step[i] * out.shape[1]


def kernel_shape(pulsation: Pulsation, dt_s: float) -> FloatArray:
    """Return the settings as :func:`fill_liner_rates` wants them."""
    return np.array([pulsation.ratio, pulsation.swing_ratio, 2.0 * pulsation.displacement_l, dt_s])
