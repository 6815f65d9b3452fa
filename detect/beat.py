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

from detect.machine import compiled_allocating
from detect.params import BIN_S

WIDTH: Final = 128
"""Bins looked at (6.4 s)."""
LOWEST_HZ, HIGHEST_HZ, STEP_HZ = 0.6, 4.6, 0.05  # pulsation, and its multiples below the bins' own limit
SPREAD, AROUND = 0.04, 5  # a beat is looked for this far around where it is usual, at so many places
TWO_PI = 2.0 * math.pi
COUNT: Final = round((HIGHEST_HZ - LOWEST_HZ) / STEP_HZ) + 1
"""Frequencies at which the strongest beat is looked for."""
TWICE: Final = np.array([2.0 * math.cos(TWO_PI * (LOWEST_HZ + k * STEP_HZ) * BIN_S) for k in range(COUNT)])
"""Twice the cosine of their turn in a bin; a cosine costs as much as fifty steps of the recursion."""
FADE: Final = np.array([0.5 - 0.5 * math.cos(TWO_PI * (i + 0.5) / WIDTH) for i in range(WIDTH)])


@compiled_allocating
def windowed(kpa: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the vacuum less its straight line, under a raised cosine."""
    n = WIDTH
    middle, mean, moment = 0.5 * (n - 1), 0.0, 0.0
    for i in range(n):
        mean += kpa[i] / n
        moment += (i - middle) * kpa[i]
    slope = moment * 12.0 / (n * (n * n - 1.0))
    out = np.empty(n)
    for i in range(n):
        rest = kpa[i] - mean - slope * (i - middle)
        out[i] = rest * FADE[i]
    return out


@compiled_allocating
def swings_kpa(shaped: NDArray[np.float64], twice: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the amplitudes [kPa] of a windowed signal at frequencies of which ``twice`` the cosine is given.

    Goertzel's recursion at all of them side by side: alone each waits for its last step.
    """
    last, older = np.zeros(twice.size), np.zeros(twice.size)
    for i in range(shaped.size):
        for k in range(twice.size):
            last[k], older[k] = shaped[i] + twice[k] * last[k] - older[k], last[k]
    for k in range(twice.size):
        power = last[k] * last[k] + older[k] * older[k] - twice[k] * last[k] * older[k]
        last[k] = 4.0 / shaped.size * math.sqrt(max(0.0, power))
    return last


@compiled_allocating
def strongest(kpa: NDArray[np.float64]) -> tuple[float, float]:
    """Return frequency [Hz] and amplitude [kPa] of the strongest beat."""
    swings = swings_kpa(windowed(kpa), TWICE)
    best_hz, best = 0.0, -1.0
    for k in range(COUNT):
        if swings[k] > best:
            best_hz, best = LOWEST_HZ + k * STEP_HZ, swings[k]
    return best_hz, best


@compiled_allocating
def beat_at(kpa: NDArray[np.float64], hz: float) -> float:
    """Return the amplitude [kPa] at a frequency and its double, each looked for a little around it."""
    twice = np.empty(2 * AROUND)
    for k in range(twice.size):
        multiple, off = k // AROUND + 1, k % AROUND - AROUND // 2
        twice[k] = 2.0 * math.cos(TWO_PI * (multiple * hz * (1.0 + 0.5 * SPREAD * off)) * BIN_S)
    swings = swings_kpa(windowed(kpa), twice)
    power = 0.0
    for multiple in range(2):
        best = 0.0
        for k in range(AROUND):
            best = max(best, swings[multiple * AROUND + k])
        power += best * best
    return math.sqrt(power)
