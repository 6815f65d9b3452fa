"""How a claw drains after the shut-off: its vent's inflow, read from the last seconds of a milking.

Once the valve is shut, only the vent lets air in, through the same orifice law as a gap
(:mod:`detect.air`), so the vacuum falls by ``dv/dt = -k psi(v)/psi*`` with one constant ``k`` for as
long as nobody opens the cups. The arm usually does before the claw is empty: what falls faster than
any vent could is cut off. A unit that was pulled without a shut-off, or lost its seal, shows no such
ramp and gives no figure.
"""

from __future__ import annotations

import math
from typing import Any, Final

from detect.air import CHOKED_FLOW, flow_function
from detect.machine import compiled
from detect.params import BIN_S

DRAIN_FIELDS: Final = [
    ("was_on", "i8"),
    ("level", "f8"),  # vacuum of the attached unit, of the last seconds
    ("n", "i8"),  # take-offs read so far
    ("bin", "i8"),  # end of the last one
    ("rate", "f8"),  # its k [kPa/s]
    ("quiet", "f8"),  # vacuum before it [kPa]
    ("pulled", "f8"),  # vacuum at which the arm opened the cups [kPa]
]
SUDDEN_KPA = 9.0  # in one bin: 180 kPa/s is more than any vent does, and less than an open cup
RING_MASK = 127
LOOK_BACK = 126  # bins
LEVEL_GAIN = BIN_S / 5.0
HANGING_SHARE = 0.8  # of the quiet vacuum: below, the take-off has begun
RAMP_SHARE = 0.97  # of the quiet vacuum: the ramp begins below
OPEN_SHARE = 0.65  # of the quiet vacuum: a ramp that began below was a unit lying open
SECOND = 20
LEAST_DROP_KPA = 1.5  # under the quiet vacuum in the second before the cups opened; a pulled unit shows none
LEAST_RAMP = 4  # bins
RISE_SHARE = 0.15  # of the quiet vacuum within a quarter second: no drain, something sealed again
QUARTER = 5

_flow_function = compiled(flow_function)


@compiled
def watch_drain(s: Any, b: int, atmosphere_kpa: float) -> None:
    """Follow the quiet vacuum of an attached unit, and read the ramp when it has come off."""
    w = s.drain
    if s.attached == 1:
        hanging = s.settled == 1 and s.missing == 0 and s.opening == 0
        if hanging and s.kpa > HANGING_SHARE * w.level:
            w.level += LEVEL_GAIN * (s.kpa - w.level) if w.level > 0.0 else s.kpa
        w.was_on = 1
    elif w.was_on == 1:
        if w.level > 0.0:
            read_ramp(s, b, atmosphere_kpa)
        w.was_on, w.level = 0, 0.0


@compiled
def read_ramp(s: Any, b: int, atmosphere_kpa: float) -> None:
    """Find the ramp before the unit fell below off for good, and keep its constant."""
    w = s.drain
    first = max(b - LOOK_BACK, s.on_bin, s.resume_bin)
    end = s.off_bin
    while end > first and s.raw[(end - 1) & RING_MASK] - s.raw[end & RING_MASK] > SUDDEN_KPA:
        end -= 1
    if end < s.off_bin:  # the bin before the pull may have seen some of it
        end -= 1
    start = end
    while start > first and s.raw[start & RING_MASK] < RAMP_SHARE * w.level:
        start -= 1
    if end - start < LEAST_RAMP or not drains(s, start, end):
        return
    share = 0.0
    for i in range(start, end):
        middle = 0.5 * (s.raw[i & RING_MASK] + s.raw[(i + 1) & RING_MASK])
        share += flow_function_share(middle, atmosphere_kpa)
    rate = (s.raw[start & RING_MASK] - s.raw[end & RING_MASK]) / max(share * BIN_S, 1e-9)
    if not math.isnan(rate) and rate > 0.0:
        w.n += 1
        w.bin, w.rate, w.quiet, w.pulled = s.off_bin, rate, w.level, s.raw[end & RING_MASK]


@compiled
def flow_function_share(vacuum_kpa: float, atmosphere_kpa: float) -> float:
    """Return an orifice's inflow at a vacuum [kPa] as share of the choked one."""
    ratio = (atmosphere_kpa - max(vacuum_kpa, 0.0)) / atmosphere_kpa
    return float(_flow_function(ratio) / CHOKED_FLOW)


@compiled
def drains(s: Any, start: int, end: int) -> bool:
    """Tell whether the vacuum sinks steadily from ``start`` to ``end``, clearly before the cups opened."""
    total, n = 0.0, 0
    for i in range(max(end - SECOND + 1, start - SECOND), end + 1):
        total += s.raw[i & RING_MASK]
        n += 1
    quiet = s.drain.level
    if s.raw[start & RING_MASK] < OPEN_SHARE * quiet or not total / n < quiet - LEAST_DROP_KPA:
        return False
    for i in range(start + 1, end + 1):
        if s.raw[(i - 1) & RING_MASK] - s.raw[i & RING_MASK] > SUDDEN_KPA:
            return False
        if i - start >= QUARTER:
            rise = s.raw[i & RING_MASK] - s.raw[(i - QUARTER) & RING_MASK]
            if rise > RISE_SHARE * quiet:
                return False
    return True


def drain_s(rate_kpa_s: float, from_kpa: float, to_kpa: float, *, atmosphere_kpa: float) -> float:
    """Return how long a claw of drain rate ``k`` takes from one vacuum to another [s].

    Parameters
    ----------
    rate_kpa_s:
        Fall of the vacuum while the vent chokes, ``k = p_a q / V`` [kPa/s].
    from_kpa, to_kpa:
        Vacuum at the start and at the end [kPa].
    atmosphere_kpa:
        Local atmospheric pressure [kPa absolute].
    """
    if from_kpa <= to_kpa:
        return 0.0
    steps = 64
    step = (from_kpa - to_kpa) / steps
    inverse = sum(
        CHOKED_FLOW / flow_function((atmosphere_kpa - to_kpa - (i + 0.5) * step) / atmosphere_kpa)
        for i in range(steps)
    )
    return step * inverse / max(rate_kpa_s, 1e-9)
