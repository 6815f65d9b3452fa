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

from detect.machine import compiled
from detect.params import BIN_S
from detect.state import HARMONICS, RING

TWO_PI = 2.0 * math.pi
SLOWEST_HZ, FASTEST_HZ = 0.75, 1.35  # 45-81 pulsations a minute; 60 is usual (common practice, no source)
GAIN = 0.025  # of a coefficient per bin once learned: a memory of 4 s
TRACKING = 0.008  # share of the seen rotation that corrects the frequency
SLEW_HZ = 0.0005  # per bin at most
SCAN, STEP_HZ, KNOWN_STEP_HZ = 15, 0.02, 0.004
MASK = RING - 1


@compiled
def turn_pulse(s: Any) -> None:
    """Move the pulsator's phase on by one bin, with data or without."""
    s.pulse_phase = (s.pulse_phase + TWO_PI * s.pulse_hz * BIN_S) % TWO_PI


@compiled
def ripple_kpa(s: Any) -> float:
    """Return the expected ripple of this bin [kPa]."""
    c, d = math.cos(s.pulse_phase), math.sin(s.pulse_phase)
    ck, dk, total = 1.0, 0.0, 0.0
    for k in range(HARMONICS):
        ck, dk = ck * c - dk * d, ck * d + dk * c
        total += s.ripple_a[k] * ck + s.ripple_b[k] * dk
    return total


@compiled
def learn_ripple(s: Any, rest_kpa: float) -> None:
    """Correct the ripple by what it left over in this bin [kPa]."""
    s.pulse_n += 1
    gain = max(GAIN, 1.0 / (10.0 + s.pulse_n))
    c, d = math.cos(s.pulse_phase), math.sin(s.pulse_phase)
    ck, dk, turn, power = 1.0, 0.0, 0.0, 0.02
    for k in range(HARMONICS):
        ck, dk = ck * c - dk * d, ck * d + dk * c
        turn += (k + 1) * (s.ripple_a[k] * dk - s.ripple_b[k] * ck)
        power += (k + 1) ** 2 * (s.ripple_a[k] ** 2 + s.ripple_b[k] ** 2)
        s.ripple_a[k] += gain * rest_kpa * ck
        s.ripple_b[k] += gain * rest_kpa * dk
    shift = TRACKING * gain * rest_kpa * turn / power / (TWO_PI * BIN_S)
    s.pulse_hz -= min(max(shift, -SLEW_HZ), SLEW_HZ)
    s.pulse_hz = min(max(s.pulse_hz, SLOWEST_HZ), FASTEST_HZ)


@compiled
def find_ripple(s: Any, width: int) -> None:
    """Find rate, phase and coefficients in the last ``width`` bins of the level's ring.

    The rate is where the first two multiples carry most power; a known pulsator is searched near its rate.
    """
    n, mean = s.seen, 0.0
    for i in range(width):
        mean += s.level[(n - 1 - i) & MASK] / width
    best, best_hz = -1.0, s.pulse_hz
    for step in range(-SCAN, SCAN + 1):
        hz = s.pulse_hz + step * (KNOWN_STEP_HZ if s.pulse_known > 0 else STEP_HZ)
        if hz < SLOWEST_HZ or hz > FASTEST_HZ:
            continue
        power = 0.0
        for k in range(1, 3):
            re, im = project(s, width, mean, TWO_PI * hz * BIN_S * k)
            power += re * re + im * im
        if power > best:
            best, best_hz = power, hz
    s.pulse_hz = best_hz
    s.pulse_known += 1
    s.pulse_phase, s.pulse_n = 0.0, width // 2
    for k in range(HARMONICS):
        re, im = project(s, width, mean, TWO_PI * best_hz * BIN_S * (k + 1))
        s.ripple_a[k], s.ripple_b[k] = re, im


@compiled
def project(s: Any, width: int, mean: float, turn: float) -> tuple[float, float]:
    """Return the cosine and sine part of the ring at ``turn`` radians a bin; the newest bin has phase 0."""
    re, im = 0.0, 0.0
    for i in range(width):
        x = s.level[(s.seen - 1 - i) & MASK] - mean
        re += 2.0 / width * x * math.cos(-turn * i)
        im += 2.0 / width * x * math.sin(-turn * i)
    return re, im
