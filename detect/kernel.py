"""One call, all stalls, any number of bins: the compiled detector.

Bins are worked one after the other and stalls within them, so neither the framing of the messages
nor the length of a call can change a result. Stalls meet only in the common signal of the plant.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from detect.carry import watch_arm
from detect.claw import ClawConstants
from detect.hear import LAG, OPEN, PAUSE, SPAN, expect, forget_level, hear
from detect.machine import compiled
from detect.params import BIN_S, KernelNumbers
from detect.ripple import turn_pulse
from detect.state import RING, Happening
from detect.unit import DETACHED, count_milk, take_flow, watch_settling, watch_unit

MASK = RING - 1
PLANT_CLOSED, GAP_CLOSED = int(Happening.PLANT_CLOSED), int(Happening.GAP_CLOSED)
SHORT_GAP, LONG_GAP = 3, 100  # bins: 0.15 s is a gap, after 5 s nothing before it counts
PLANT_SLOW_S = 20.0
PLANT_TRUST = 20  # bins (1 s) over which a silent plant sensor's last word fades
SHARED_NOISE_KPA = 0.3


@compiled
def sensed_signal(plant: Any, plant_kpa: float) -> float:
    """Return the fast part of the plant's own vacuum [kPa]; 0 without its sensor."""
    if plant_kpa == plant_kpa:
        if plant.seen == 0:
            plant.slow = plant_kpa
        plant.seen, plant.missing = plant.seen + 1, 0
        plant.slow += BIN_S / PLANT_SLOW_S * (plant_kpa - plant.slow)
        return plant_kpa - plant.slow
    plant.missing += 1
    return 0.95 * plant.sensed if plant.missing <= PLANT_TRUST else 0.0


@compiled
def shared_signal(stalls: Any, rests: NDArray[np.float64], num: KernelNumbers) -> float:
    """Return what most stalls do [kPa] when no plant sensor tells: their median, less its own noise."""
    n = 0
    for i in range(stalls.shape[0]):
        s = stalls[i]
        if s.ready == 1 and s.opening != OPEN and s.air_seen > 0:
            rests[n] = s.rest
            n += 1
    if n < num.fewest:
        return 0.0
    middle = float(np.median(rests[:n]))
    return math.copysign(max(0.0, abs(middle) - SHARED_NOISE_KPA), middle)


@compiled
def watch_plant(stalls: Any, plant: Any, b: int, out: Any, count: int, num: KernelNumbers) -> int:
    """Follow a dip of the whole plant; it counts only when an attached unit felt it."""
    if plant.common < -num.dip_kpa:
        if plant.dip_run == 0:
            plant.dip_bin, plant.dip_depth, plant.dip_touched = b, 0.0, 0
        plant.dip_run += 1
        plant.dip_last = b
        plant.dip_depth = max(plant.dip_depth, -plant.common)
        touched = 0
        for i in range(stalls.shape[0]):
            s = stalls[i]
            if s.settled == 1 and s.seen >= LAG + SPAN and s.kpa < s.level_sum / SPAN - num.touched_kpa:
                touched += 1
        plant.dip_touched = max(plant.dip_touched, touched)
    elif plant.dip_run > 0 and (b - plant.dip_last > 10):
        if plant.dip_run >= 3 and plant.dip_touched > 0:
            h = out[count]
            h.what, h.stall, h.bin = PLANT_CLOSED, -1, b
            h.from_bin, h.to_bin = plant.dip_bin, plant.dip_last + 1
            h.depth, h.flag = plant.dip_depth, plant.dip_touched
            count += 1
        plant.dip_run = 0
    return count


@compiled
def miss(s: Any, b: int) -> None:
    """Count a bin without vacuum; an opening cannot go on in the dark."""
    s.missing += 1
    s.raw[b & MASK] = np.nan
    if s.missing == SHORT_GAP:
        s.gap_bin = b - SHORT_GAP + 1
        if s.opening == OPEN:
            s.opening = PAUSE
            s.ev_last = min(s.ev_last, s.gap_bin - 1)
            s.hold_until = b


@compiled
def resume(s: Any, b: int, stall: int, kpa: float, out: Any, count: int, num: KernelNumbers) -> int:
    """Take up data again after a gap, without bridging it."""
    if s.missing >= SHORT_GAP:
        s.resume_bin = b
        h = out[count]
        h.what, h.stall, h.bin, h.from_bin, h.to_bin, h.flag = GAP_CLOSED, stall, b, s.gap_bin, b, s.attached
        count += 1
        if s.missing >= LONG_GAP:
            forget_level(s)
            s.settled, s.on_run = 0, 0
            if s.attached == 1 and kpa < num.off_kpa:
                h = out[count]
                h.what, h.stall, h.bin, h.from_bin, h.to_bin = (
                    DETACHED,
                    stall,
                    s.gap_bin,
                    s.gap_bin,
                    s.gap_bin,
                )
                h.flag, h.value = 0, 0.0
                s.attached, s.off_bin, s.off_run = 0, s.gap_bin, 0
                count += 1
    s.missing = 0
    return count


@compiled
def advance(
    stalls: Any, plant: Any, first_bin: int,
    kpa: NDArray[np.float64], plant_kpa: NDArray[np.float64], flow: NDArray[np.float64],
    angle: NDArray[np.float64], cord: NDArray[np.float64],
    out: Any, num: KernelNumbers, claw: ClawConstants,
) -> int:  # fmt: skip
    """Advance all stalls over ``kpa.shape[0]`` bins and return the number of happenings in ``out``.

    ``kpa``, ``flow``, ``angle`` and ``cord`` have shape (bins, stalls), ``plant_kpa`` (bins,);
    NaN means no data in that bin.
    """
    count = 0
    rests = np.empty(stalls.shape[0])
    for k in range(kpa.shape[0]):
        b = first_bin + k
        sensed = sensed_signal(plant[0], plant_kpa[k])
        for i in range(stalls.shape[0]):
            s = stalls[i]
            s.ready = 0
            take_flow(s, b, flow[k, i])
            turn_pulse(s)
            if kpa[k, i] == kpa[k, i]:
                count = resume(s, b, i, kpa[k, i], out, count, num)
                s.kpa = kpa[k, i]
                s.raw[b & MASK] = kpa[k, i]
                if s.attached == 1 and s.settled == 1:
                    expect(s, kpa[k, i] - sensed)
            else:
                miss(s, b)
        alone = plant[0].seen == 0 or plant[0].missing > PLANT_TRUST
        shared = shared_signal(stalls, rests, num) if alone else 0.0
        plant[0].sensed, plant[0].common = sensed, sensed + shared
        count = watch_plant(stalls, plant[0], b, out, count, num)
        for i in range(stalls.shape[0]):
            s = stalls[i]
            if s.ready == 1:
                count = hear(s, b, i, (sensed, shared), out, count, num, claw)
            elif s.missing == 0 and s.attached == 1 and s.settled == 0:
                watch_settling(s, b, kpa[k, i] - sensed, num)
            if s.missing == 0:
                count = watch_unit(s, b, i, out, count, num)
            count_milk(s, b, num)
            if cord[k, i] == cord[k, i]:
                count = watch_arm(s, b, i, angle[k, i], cord[k, i], out, count, num)
    return count
