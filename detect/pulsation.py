"""Whether a hanging unit beats as usual: one look of 6.4 s held against its stall's norm."""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np

from detect.beat import beat_at, strongest
from detect.machine import compiled
from detect.norms import GROWN_LOOKS, Floats, usual_of

BORN = 3  # looks after which a stall's beat can stand in for others
BEATS = 30  # looks that the pulsation's norm remembers
FAINT_SHARE = 0.5  # of the usual swing: a beat elsewhere must have more to be one
OTHER_SHARE = 0.8  # of a beat elsewhere: the usual one must have less
SAME_RATE = 0.05
NEAR_RATE = 0.1  # what is further off teaches the rate nothing
UNSURE, GOOD, BAD = 0, 1, 2


class BeatLimits(NamedTuple):
    """Limits of a beat, as in :class:`detect.condition_params.ConditionParams`."""

    least_kpa: float
    share: float
    fine_share: float
    rate_ratio: float


@compiled
def is_elsewhere(hz: float, usual_hz: float, ratio: float) -> bool:
    """Tell whether a beat is neither the usual one nor its half or double; one unknown is nowhere else."""
    times = hz / usual_hz
    return abs(times - 1.0) > ratio and abs(2.0 * times - 1.0) > ratio and abs(0.5 * times - 1.0) > ratio


@compiled
def learn_beat(norm: Any, hz: float, swing_kpa: float) -> None:
    """Take a good look into the stall's norm."""
    n = min(norm.beat_n + 1, BEATS)
    known = norm.beat_n > 0
    if not known or (
        not is_elsewhere(hz, norm.beat_hz, NEAR_RATE) and abs(hz / norm.beat_hz - 1.0) < NEAR_RATE
    ):
        norm.beat_hz += (hz - norm.beat_hz) / n
    norm.beat_kpa += (swing_kpa - norm.beat_kpa) / n
    norm.beat_n += 1


@compiled
def usual_beat(norms: Any, index: int) -> tuple[float, float]:
    """Return the usual rate [Hz] and swing [kPa] of a stall, NaN where nothing is known."""
    needs = (GROWN_LOOKS, BORN)
    hz = usual_of(norms["beat_n"], norms["beat_hz"], index, needs)
    kpa = usual_of(norms["beat_n"], norms["beat_kpa"], index, needs)
    norm = norms[index]
    if math.isnan(kpa) and norm.beat_n >= BEATS // 2:
        return float(norm.beat_hz), float(norm.beat_kpa)
    return hz, kpa


@compiled
def weigh_beats(norms: Any, hanging: Any, rings_kpa: Floats, limits: BeatLimits) -> Any:
    """Judge one look at some stalls and learn from the good ones.

    Returns
    -------
    ndarray of shape (hanging, 5)
        ``GOOD``, ``BAD`` or ``UNSURE``; swing and usual swing [kPa]; rate where it is another one, else 0,
        and usual rate [1/min].
    """
    out = np.empty((hanging.size, 5))
    for k in range(hanging.size):
        index = hanging[k]
        norm = norms[index]
        hz, swing = strongest(rings_kpa[index])
        usual_hz, usual_kpa = usual_beat(norms, index)
        here = beat_at(rings_kpa[index], hz if math.isnan(usual_hz) else usual_hz)
        elsewhere = is_elsewhere(hz, usual_hz, limits.rate_ratio) and here < OTHER_SHARE * swing
        elsewhere = elsewhere and swing > FAINT_SHARE * usual_kpa
        same = abs(hz - norm.last_hz) <= SAME_RATE * hz
        norm.last_hz = hz
        out[k, 0] = UNSURE
        out[k, 1], out[k, 2] = swing if elsewhere else here, usual_kpa
        out[k, 3], out[k, 4] = 60.0 * hz if elsewhere else 0.0, 60.0 * usual_hz
        if usual_kpa >= limits.least_kpa and (here < limits.share * usual_kpa or (elsewhere and same)):
            out[k, 0] = BAD
        elif not elsewhere and not here < limits.fine_share * usual_kpa:
            learn_beat(norm, hz, here)
            out[k, 0] = GOOD
    return out
