"""How strongly and how fast a unit pulsates, read from the last six seconds of its vacuum.

Two sides that work in turn may beat so evenly that only the even multiples of the pulsation rate
are left in the claw, so the strongest beat is kept as it is and held against what is usual here:
a dead pulsator leaves nothing there, a slow or fast one moves it.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from detect.machine import compiled
from detect.params import BIN_S

WIDTH: Final = 128
"""Bins looked at (6.4 s)."""
LOWEST_HZ, HIGHEST_HZ, STEP_HZ = 0.6, 4.6, 0.05  # pulsation, and its multiples below the bins' own limit
SPREAD = 0.04  # a beat is looked for this far around where it is usual
TWO_PI = 2.0 * math.pi


@compiled
def windowed(kpa: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the vacuum less its straight line, under a raised cosine."""
    n = kpa.size
    middle, mean, moment = 0.5 * (n - 1), 0.0, 0.0
    for i in range(n):
        mean += kpa[i] / n
        moment += (i - middle) * kpa[i]
    slope = moment * 12.0 / (n * (n * n - 1.0))
    out = np.empty(n)
    for i in range(n):
        rest = kpa[i] - mean - slope * (i - middle)
        out[i] = rest * (0.5 - 0.5 * math.cos(TWO_PI * (i + 0.5) / n))
    return out


@compiled
def swing_kpa(shaped: NDArray[np.float64], hz: float) -> float:
    """Return the amplitude [kPa] at one frequency of a windowed signal (Goertzel's recursion)."""
    turn = TWO_PI * hz * BIN_S
    twice, last, older = 2.0 * math.cos(turn), 0.0, 0.0
    for i in range(shaped.size):
        last, older = shaped[i] + twice * last - older, last
    return 4.0 / shaped.size * math.sqrt(max(0.0, last * last + older * older - twice * last * older))


@compiled
def strongest(kpa: NDArray[np.float64]) -> tuple[float, float]:
    """Return frequency [Hz] and amplitude [kPa] of the strongest beat.

    The recursion of :func:`swing_kpa` at all frequencies side by side: alone each waits for its last step.
    """
    shaped = windowed(kpa)
    count = round((HIGHEST_HZ - LOWEST_HZ) / STEP_HZ) + 1
    twice, last, older = np.empty(count), np.zeros(count), np.zeros(count)
    for k in range(count):
        twice[k] = 2.0 * math.cos(TWO_PI * (LOWEST_HZ + k * STEP_HZ) * BIN_S)
    for i in range(shaped.size):
        for k in range(count):
            last[k], older[k] = shaped[i] + twice[k] * last[k] - older[k], last[k]
    best_hz, best = 0.0, -1.0
    for k in range(count):
        power = last[k] * last[k] + older[k] * older[k] - twice[k] * last[k] * older[k]
        swing = 4.0 / shaped.size * math.sqrt(max(0.0, power))
        if swing > best:
            best_hz, best = LOWEST_HZ + k * STEP_HZ, swing
    return best_hz, best


@compiled
def beat_at(kpa: NDArray[np.float64], hz: float) -> float:
    """Return the amplitude [kPa] at a frequency and its double, each looked for a little around it."""
    shaped = windowed(kpa)
    power = 0.0
    for multiple in range(1, 3):
        best = 0.0
        for k in range(-2, 3):
            best = max(best, swing_kpa(shaped, multiple * hz * (1.0 + 0.5 * SPREAD * k)))
        power += best * best
    return math.sqrt(power)
