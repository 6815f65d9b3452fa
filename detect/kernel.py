"""One call, all stalls, any number of bins: the compiled detector.

Bins are worked one after the other and stalls within them, so neither the framing of the messages
nor the length of a call can change a result. Stalls meet only in the common signal of the plant.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from detect.arm_state import RATES
from detect.carry import watch_arm
from detect.drain import watch_drain
from detect.foresee import begin_trace, foresee, keep_news
from detect.hear import (
    LAG,
    NONE,
    OPEN,
    PAUSE,
    SPAN,
    expect,
    forget_level,
    hear,
    report_event,
    take_in,
    take_up,
)
from detect.machine import compiled, compiled_allocating
from detect.params import BIN_S, KernelNumbers
from detect.quarter import watch_tubes
from detect.ripple import turn_pulse
from detect.scene import Witness, watch_level, watch_unrest, witness
from detect.state import HARMONICS, LATE, RING, Bins, Happening, Now, report
from detect.swing import turn_rates
from detect.tubes import Tubes, admit, lay_tube, lift_tube, new_tubes
from detect.unit import count_milk, end_hanging, let_go, take_flow, watch_settling, watch_unit

MASK = RING - 1
PLANT_CLOSED, GAP_CLOSED = int(Happening.PLANT_CLOSED), int(Happening.GAP_CLOSED)
SHORT_GAP, LONG_GAP = 3, 100  # bins: 0.15 s is a gap, after 5 s nothing before it counts
PLANT_SLOW_S = 20.0
STIR_S = 3.0
HANGING_SHARE = 0.5
PLANT_TRUST = 20  # bins (1 s) over which a silent plant sensor's last word fades
SHARED_NOISE_KPA = 0.3


class Room(NamedTuple):
    """What one call of the kernel needs beside its state.

    Attributes
    ----------
    used:
        Number of happenings written (array of one).
    values:
        A number for each stall, shape (stalls,).
    turns, waves:
        As in Now.
    tubes:
        The milk tubes side by side.
    """

    used: np.ndarray
    values: np.ndarray
    turns: np.ndarray
    waves: np.ndarray
    tubes: Tubes


@compiled
def sensed_signal(plant: Any, plant_kpa: float) -> float:
    """Return the fast part of the plant's own vacuum [kPa]; 0 without its sensor."""
    if not math.isnan(plant_kpa):
        if plant.seen == 0:
            plant.slow = plant_kpa
        plant.seen, plant.missing = plant.seen + 1, 0
        plant.slow += BIN_S / PLANT_SLOW_S * (plant_kpa - plant.slow)
        return float(plant_kpa - plant.slow)
    plant.missing += 1
    return 0.95 * plant.sensed if plant.missing <= PLANT_TRUST else 0.0


@compiled_allocating
def shared_signal(stalls: Any, rests: NDArray[np.float64], num: KernelNumbers) -> float:
    """Return what most stalls do [kPa] when no plant sensor tells: their median, less its own noise."""
    n = 0
    for i in range(stalls.shape[0]):
        s = stalls[i]
        quiet = s.ready == 1 and s.opening != OPEN and s.air_seen > 0
        if quiet and s.kpa > HANGING_SHARE * s.level_sum / SPAN:  # a unit being taken off says nothing
            rests[n] = s.rest
            n += 1
    if n < num.fewest:
        return 0.0
    middle = float(np.median(rests[:n]))
    return math.copysign(max(0.0, abs(middle) - SHARED_NOISE_KPA), middle)


@compiled_allocating
def shared_news(stalls: Any, news: NDArray[np.float64], num: KernelNumbers) -> float:
    """Return what most quiet stalls innovate in this bin, in their own spreads: it is the plant's."""
    n = 0
    for i in range(stalls.shape[0]):
        s = stalls[i]
        if s.told == 1 and s.settled == 1 and s.opening != OPEN:
            news[n] = s.news
            n += 1
    return float(np.median(news[:n])) if n >= num.fewest else 0.0


@compiled
def common_signal(
    stalls: Any, plant: Any, sensed_kpa: float, room: NDArray[np.float64], num: KernelNumbers
) -> tuple[float, float, float]:
    """Return what stalls share beside the plant's sensor [kPa, spreads], and how far all that stirs [kPa]."""
    alone = plant.seen == 0 or plant.missing > PLANT_TRUST
    shared = shared_signal(stalls, room, num) if alone else 0.0
    plant.sensed, plant.common = sensed_kpa, sensed_kpa + shared
    stir = abs(plant.common - plant.common_mean)
    plant.common_mean += BIN_S / STIR_S * (plant.common - plant.common_mean)
    return shared, shared_news(stalls, room, num) if alone else 0.0, stir


@compiled
def watch_plant(stalls: Any, plant: Any, now: Now, num: KernelNumbers) -> None:
    """Follow a dip of the whole plant; it counts only when an attached unit felt it."""
    b = now.bin
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
            h = report(now, PLANT_CLOSED, -1)
            h.from_bin, h.to_bin = plant.dip_bin, plant.dip_last + 1
            h.depth, h.flag = plant.dip_depth, plant.dip_touched
        plant.dip_run = 0


@compiled
def miss(s: Any, b: int) -> None:
    """Count a bin without vacuum; an opening cannot go on in the dark."""
    s.missing += 1
    s.raw[b & MASK] = np.nan
    s.late_l[b % LATE] = s.ev_l
    if s.missing == SHORT_GAP:
        s.gap_bin = b - SHORT_GAP + 1
        if s.opening == OPEN:
            s.opening = PAUSE
            s.ev_last = s.firm_last = min(s.ev_last, s.gap_bin - 1)
            s.firm_end = s.ev_last + 1
            s.hold_until = b


@compiled
def resume(s: Any, kpa: float, now: Now, num: KernelNumbers) -> None:
    """Take up data again after a gap, without bridging it."""
    if s.missing >= SHORT_GAP:
        s.resume_bin = now.bin
        h = report(now, GAP_CLOSED, s.index)
        h.from_bin, h.to_bin, h.flag = s.gap_bin, now.bin, s.attached
        take_up(s, kpa)
    if s.missing >= LONG_GAP:
        end_hanging(s, now, num)
        if s.opening != NONE:
            report_event(s, now, num)
        if s.attached == 1 and kpa < num.off_kpa:
            let_go(s, s.gap_bin, s.gap_bin, now)
        forget_level(s)
        begin_trace(s)
        s.settled, s.on_run = 0, 0
    s.missing = 0


@compiled
def take_bin(s: Any, kpa: float, flow: float, now: Now, num: KernelNumbers) -> None:
    """Take one stall's vacuum and flow of one bin, before the stalls are held against each other."""
    s.ready = 0
    take_flow(s, now.bin, flow)
    turn_pulse(s)
    if s.attached == 1:
        foresee(s, kpa - now.sensed_kpa)
    if math.isnan(kpa):
        miss(s, now.bin)
        return
    resume(s, kpa, now, num)
    s.kpa = kpa
    s.raw[now.bin & MASK] = kpa
    if s.attached == 1 and s.settled == 1:
        expect(s, kpa, now)


@compiled
def admit_all(stalls: Any, tubes: Tubes, now: Now, num: KernelNumbers) -> None:
    """Find the air of all stalls that hang, once the common signal is known."""
    count = 0
    for i in range(stalls.shape[0]):
        if stalls[i].ready == 1:
            lay_tube(tubes, count, stalls[i], take_in(stalls[i], now, num))
            count += 1
    admit(tubes, count, num.claw)


@compiled
def work_bin(s: Any, air: float, now: Now, num: KernelNumbers) -> None:
    """Work one stall's bin, once its air [L/min] is known."""
    keep_news(s, now.shared_news)
    if s.ready == 1:
        hear(s, air, now, num)
    elif s.missing == 0 and s.attached == 1 and s.settled == 0:
        watch_settling(s, now.bin, s.kpa - now.sensed_kpa, num)
    if s.missing == 0:
        watch_unit(s, now, num)
    watch_drain(s, now.bin, 1e-3 * num.claw.atmosphere_pa)
    count_milk(s, now.bin, num)


@compiled
def work_bins(
    stalls: Any, plant: Any, grid: Bins, out: tuple[Any, Witness, Room], num: KernelNumbers
) -> None:
    """Work the bins of a grid one after the other."""
    rows, scene, room = out
    p, used, turned = plant[0], room.used, -1
    for k in range(grid.kpa.shape[0]):
        first_row = used[0]
        watch_level(scene.whole[0], grid.first_bin + k, grid.plant_kpa[k])
        sensed = sensed_signal(p, grid.plant_kpa[k])
        now = Now(grid.first_bin + k, sensed, 0.0, 0.0, 0.0, rows, used, room.turns, room.waves)
        for i in range(stalls.shape[0]):
            take_bin(stalls[i], grid.kpa[k, i], grid.flow[k, i], now, num)
        shared, news, stir = common_signal(stalls, p, sensed, room.values, num)
        now = Now(grid.first_bin + k, sensed, shared, news, stir, rows, used, room.turns, room.waves)
        watch_plant(stalls, p, now, num)
        admit_all(stalls, room.tubes, now, num)
        at = 0
        for i in range(stalls.shape[0]):
            told = used[0]
            work_bin(stalls[i], lift_tube(room.tubes, at, stalls[i]), now, num)
            at += stalls[i].ready
            if grid.tubes.shape[2] > 0:
                watch_tubes(stalls[i], grid.tubes[k, i], told, now)
            if not math.isnan(grid.cord[k, i]):
                if turned != now.bin:
                    turn_rates(room.turns, now.bin)
                    turned = now.bin
                watch_arm(stalls[i], grid.angle[k, i], grid.cord[k, i], now, num)
                watch_unrest(scene.scenes[i], stalls[i], now.bin, (grid.angle[k, i], grid.cord[k, i]))
        witness(stalls, scene, now, first_row)


@compiled_allocating
def advance(stalls: Any, plant: Any, grid: Bins, out: tuple[Any, Witness], num: KernelNumbers) -> int:
    """Advance all stalls over the bins of a grid and return the number of happenings written to ``out``."""
    rows, scene = out
    used, count = np.zeros(1, np.int64), stalls.shape[0]
    turns, waves = np.empty((2, RATES)), np.empty((count, 2, HARMONICS))
    room = Room(used, np.empty(count), turns, waves, new_tubes(count))
    work_bins(stalls, plant, grid, (rows, scene, room), num)
    return int(used[0])
