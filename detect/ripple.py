"""Take the pulsation out of the claw vacuum: an adaptive canceller that follows one pulsator.

Opening and closing liners move the claw vacuum by a few kPa at the pulsation rate and its multiples.
That is no air, but it is larger than a weak slip. The ripple is modelled as::

    y = sum_k a_k cos(k theta) + b_k sin(k theta),  k = 1..4,  dtheta/dt = 2 pi f

with coefficients by least mean squares (Widrow's adaptive noise canceller) and ``f`` from the
rotation of the first pair. Coefficients stand still during an event; the phase runs on.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from detect.machine import compiled, compiled_allocating
from detect.params import BIN_S
from detect.state import HARMONICS, RING

TWO_PI = 2.0 * math.pi
SLOWEST_HZ, FASTEST_HZ = 0.8, 1.25  # 48-75 pulsations a minute; 60 is usual (common practice, no source)
GAIN = 0.025  # of a coefficient per bin once learned: a memory of 4 s
TRACKING = 0.008  # share of the seen rotation that corrects the frequency
SLEW_HZ = 0.0005  # per bin at most
ROAM_HZ, FINDS = 0.03, 6  # the rate stays near the mean of so many finds
LONG_LOOK = 80  # bins (4 s) that tell the rate
SCAN, STEP_HZ, KNOWN_STEP_HZ = 15, 0.02, 0.004
MASK = RING - 1


@compiled
def turn_pulse(s: Any) -> None:
    """Move the pulsator's phase on by one bin, with data or without."""
    phase = s.pulse_phase + TWO_PI * s.pulse_hz * BIN_S
    s.pulse_phase = (
        phase - TWO_PI if phase >= TWO_PI else phase
    )  # what a division leaves over, to the last bit


@compiled
def turn_waves(waves: Any, phase: float) -> None:
    """Write cosine and sine of the multiples of a phase, shape (2, HARMONICS): each bin needs them twice."""
    c, d = math.cos(phase), math.sin(phase)
    ck, dk = 1.0, 0.0
    for k in range(HARMONICS):
        ck, dk = ck * c - dk * d, ck * d + dk * c
        waves[0, k], waves[1, k] = ck, dk


@compiled
def ripple_kpa(s: Any, waves: Any) -> float:
    """Return the expected ripple of this bin [kPa]; ``waves`` are those of the pulsator's phase."""
    total = 0.0
    for k in range(HARMONICS):
        total += s.ripple_a[k] * waves[0, k] + s.ripple_b[k] * waves[1, k]
    return total


@compiled
def learn_ripple(s: Any, waves: Any, rest_kpa: float) -> None:
    """Correct the ripple by what it left over in this bin [kPa]."""
    s.pulse_n += 1
    gain = max(GAIN, 1.0 / (10.0 + s.pulse_n))
    turn, power = 0.0, 0.02
    for k in range(HARMONICS):
        ck, dk = waves[0, k], waves[1, k]
        turn += (k + 1) * (s.ripple_a[k] * dk - s.ripple_b[k] * ck)
        power += (k + 1) ** 2 * (s.ripple_a[k] ** 2 + s.ripple_b[k] ** 2)
        s.ripple_a[k] += gain * rest_kpa * ck
        s.ripple_b[k] += gain * rest_kpa * dk
    shift = TRACKING * gain * rest_kpa * turn / power / (TWO_PI * BIN_S)
    s.pulse_hz -= min(max(shift, -SLEW_HZ), SLEW_HZ)
    s.pulse_hz = min(max(s.pulse_hz, s.pulse_anchor - ROAM_HZ), s.pulse_anchor + ROAM_HZ)


@compiled
def find_ripple(s: Any, width: int) -> None:
    """Find rate, phase and coefficients in the last ``width`` bins of the level's ring.

    The rate is where all four multiples together carry most power, less a straight line: a unit's two
    sides may beat so evenly that the pulsation rate itself is hardly there. A short look keeps to the
    rate that long looks have found.
    """
    line = trend(s, width)
    long_look = width >= LONG_LOOK
    step_hz = KNOWN_STEP_HZ if s.pulse_known > 0 else STEP_HZ
    reach = 0 if s.pulse_known > 0 and not long_look else SCAN
    best_hz = strongest_rate(s, width, line, (reach, step_hz))
    s.pulse_hz = best_hz
    if long_look:
        s.pulse_known += 1
        s.pulse_anchor += (best_hz - s.pulse_anchor) / min(s.pulse_known, FINDS)
    s.pulse_n = width // 2
    for k in range(HARMONICS):
        re, im = project(s, width, line, TWO_PI * best_hz * BIN_S * (k + 1))
        c, d = math.cos((k + 1) * s.pulse_phase), math.sin((k + 1) * s.pulse_phase)
        s.ripple_a[k], s.ripple_b[k] = re * c - im * d, re * d + im * c


@compiled_allocating
def strongest_rate(s: Any, width: int, line: tuple[float, float], steps: tuple[int, float]) -> float:
    """Return the rate [Hz] around the anchor whose multiples carry most power in the newest bins.

    Goertzel's recursion of all rates and multiples side by side: each alone waits for its last step.
    """
    reach, step_hz = steps
    rates = np.empty(2 * reach + 1)
    for r in range(rates.size):
        rates[r] = s.pulse_anchor + (r - reach) * step_hz
    twice = np.empty(rates.size * HARMONICS)
    last, older = np.zeros(twice.size), np.zeros(twice.size)
    for f in range(twice.size):
        twice[f] = 2.0 * math.cos(TWO_PI * rates[f // HARMONICS] * BIN_S * (f % HARMONICS + 1))
    for i in range(width):
        x = s.level[(s.seen - 1 - i) & MASK] - line[0] - line[1] * (0.5 * (width - 1) - i)
        for f in range(twice.size):
            last[f], older[f] = x + twice[f] * last[f] - older[f], last[f]
    best, best_hz = -1.0, s.pulse_anchor
    for r in range(rates.size):
        power = 0.0
        for k in range(HARMONICS):  # slugs are strongest at low frequencies
            f = HARMONICS * r + k
            power += (k + 1) * (last[f] ** 2 + older[f] ** 2 - twice[f] * last[f] * older[f])
        if power > best and SLOWEST_HZ <= rates[r] <= FASTEST_HZ:
            best, best_hz = power, rates[r]
    return float(best_hz)


@compiled
def trend(s: Any, width: int) -> tuple[float, float]:
    """Return mean and slope per bin of the newest ``width`` bins of the ring."""
    total, moment, middle = 0.0, 0.0, 0.5 * (width - 1)
    for i in range(width):
        x = s.level[(s.seen - 1 - i) & MASK]
        total += x
        moment += (middle - i) * x
    return total / width, moment * 12.0 / (width * (width * width - 1.0))


@compiled
def project(s: Any, width: int, line: tuple[float, float], turn: float) -> tuple[float, float]:
    """Return the cosine and sine part of the ring at ``turn`` radians a bin; the newest bin has phase 0."""
    re, im, middle = 0.0, 0.0, 0.5 * (width - 1)
    for i in range(width):
        x = s.level[(s.seen - 1 - i) & MASK] - line[0] - line[1] * (middle - i)
        re += 2.0 / width * x * math.cos(-turn * i)
        im += 2.0 / width * x * math.sin(-turn * i)
    return re, im
