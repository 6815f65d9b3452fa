"""Whether a hanging unit beats as usual: one look of 6.4 s held against its stall's norm."""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np

from detect.beat import beat_at, strongest
from detect.machine import compiled, compiled_allocating
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
def usual_beat(beats: tuple[Any, Any, Any], index: int) -> tuple[float, float]:
    """Return the usual rate [Hz] and swing [kPa] of a stall, NaN where nothing is known.

    ``beats`` are looks, rates and swings behind the norms of all stalls.
    """
    looks, rates_hz, swings_kpa = beats
    hz = usual_of(looks, rates_hz, index, (GROWN_LOOKS, BORN))
    kpa = usual_of(looks, swings_kpa, index, (GROWN_LOOKS, BORN))
    if math.isnan(kpa) and looks[index] >= BEATS // 2:
        return float(rates_hz[index]), float(swings_kpa[index])
    return hz, kpa


@compiled
def note_beat(beats: tuple[Any, Any, Any], index: int, norm: Any) -> None:
    """Write a stall's norm into its place among all."""
    looks, rates_hz, swings_kpa = beats
    looks[index], rates_hz[index], swings_kpa[index] = norm.beat_n, norm.beat_hz, norm.beat_kpa


@compiled_allocating
def weigh_beats(stalls: Any, hanging: Any, rings_kpa: Floats, limits: BeatLimits) -> Any:
    """Judge one look at some stalls and learn from the good ones.

    Returns
    -------
    ndarray of shape (hanging, 5)
        ``GOOD``, ``BAD`` or ``UNSURE``; swing and usual swing [kPa]; rate where it is another one, else 0,
        and usual rate [1/min].
    """
    count, out = stalls.shape[0], np.empty((hanging.size, 5))
    beats = np.empty(count, np.int64), np.empty(count), np.empty(count)
    for i in range(count):
        note_beat(beats, i, stalls[i].norms)
    for k in range(hanging.size):
        index = hanging[k]
        norm = stalls[index].norms
        hz, swing = strongest(rings_kpa[index])
        usual_hz, usual_kpa = usual_beat(beats, index)
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
            note_beat(beats, index, norm)
            out[k, 0] = GOOD
    return out
