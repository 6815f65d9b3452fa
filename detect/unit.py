"""Is the unit on? Attaching, settling and removal of one stall, one bin at a time, with milk figures."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from detect.carry import close_support, forget_arm
from detect.foresee import begin_trace
from detect.hear import (
    JUST_BEFORE,
    LAG,
    NONE,
    OPEN,
    SPAN,
    back_to_sure,
    forget_level,
    make_sure,
    push_level,
    report_event,
    split_loss,
)
from detect.machine import compiled
from detect.params import BIN_S, KernelNumbers
from detect.ripple import find_ripple
from detect.state import MILKED, Happening, Now, report

WITH_ARM, WITHOUT_ARM = -1, -2
ATTACHED, DETACHED = int(Happening.ATTACHED), int(Happening.DETACHED)
FLOW_TRUST = 60  # bins (3 s) for which a milk-flow reading may stand in for a missing one
TWO_MINUTES = 2400
SECOND = 20
SLEW_KG_MIN = 0.5 * BIN_S  # milk flow changes by up to this in a bin; what is faster is air in the meter
FIRST_MILK_KG_MIN = 0.2
OPEN_MILKING = 1
HIGH_SHARE, SURE_SHARE = 0.8, 0.93  # of the quiet vacuum: above, a take-off has not begun
UNKNOWN_QUIET_KPA = 42.0  # an ordinary claw vacuum, until the unit's own is known
ARM_AHEAD, ARM_BEHIND = 20, 60  # bins around the fall in which the arm of a unit pulled off moves


@compiled
def take_flow(s: Any, b: int, flow_kg_min: float) -> None:
    """Keep the newest milk flow and its slow followers, which stand still during an event."""
    if not math.isnan(flow_kg_min):
        s.flow, s.flow_bin = flow_kg_min, b
    if s.flow_bin >= 0 and (s.opening != OPEN or s.drifting == 1):
        step = BIN_S / 2.0 * (s.flow - s.flow_slow)
        s.flow_slow += min(max(step, -SLEW_KG_MIN), SLEW_KG_MIN)
        s.flow_slower += BIN_S / 10.0 * (s.flow - s.flow_slower)


@compiled
def count_milk(s: Any, b: int, num: KernelNumbers) -> None:
    """Add one bin to the open milking's yield and to its second of flow and vacuum."""
    if s.open != OPEN_MILKING:
        return
    trusted = s.flow_bin >= 0 and b - s.flow_bin < FLOW_TRUST
    if trusted and (s.attached == 1 or b - s.off_bin < num.meter_lag):
        milk = s.flow * BIN_S / 60.0
        s.yield_kg += milk
        if b - s.first_bin < TWO_MINUTES:
            s.two_minute_kg += milk
    if s.attached == 0:
        return
    if s.milked < MILKED:
        flows = s.flow_bin < 0 or s.flow_slow > FIRST_MILK_KG_MIN
        s.milked += 1 if (flows and b - s.on_bin > num.settle_min) or b - s.on_bin > num.settle_max else 0
    s.on_bins += 1
    if s.missing == 0:
        s.data_bins += 1
    if trusted and s.flow >= num.low_flow:
        s.milk_bin = b
    if trusted and s.missing == 0:
        s.part_flow += s.flow
        s.part_kpa += s.kpa
        s.part_n += 1
        if s.part_n == SECOND:
            close_second(s)


@compiled
def close_second(s: Any) -> None:
    """Close one second; the peak is the best mean of ten (NMC averages claw vacuum over 5-20 s)."""
    i = s.sec_count % 10
    s.sec_flow[i] = s.part_flow / SECOND
    s.sec_kpa[i] = s.part_kpa / SECOND
    s.sec_count += 1
    s.part_flow, s.part_kpa, s.part_n = 0.0, 0.0, 0
    if s.sec_count >= 10:
        flow, kpa = 0.0, 0.0
        for k in range(10):
            flow += s.sec_flow[k]
            kpa += s.sec_kpa[k]
        if 0.1 * flow > s.peak_flow:
            s.peak_flow, s.peak_kpa = 0.1 * flow, 0.1 * kpa


@compiled
def open_milking(s: Any, b: int) -> None:
    """Set all figures of a new milking to nothing."""
    s.open, s.first_bin = OPEN_MILKING, b
    s.on_bins, s.data_bins, s.milk_bin, s.sec_count, s.part_n = 0, 0, -1, 0, 0
    s.yield_kg, s.two_minute_kg, s.peak_flow, s.peak_kpa = 0.0, 0.0, 0.0, 0.0
    s.part_flow, s.part_kpa = 0.0, 0.0
    s.astray_bins = 0


@compiled
def watch_unit(s: Any, now: Now, num: KernelNumbers) -> None:
    """Follow one bin of measured vacuum through off, on, settled and off again."""
    if s.attached == 0:
        s.seen_off = 1 if s.kpa < num.off_kpa else s.seen_off
        s.on_run = s.on_run + 1 if s.kpa > num.on_kpa else 0
        if s.on_run >= num.on_bins:
            attach(s, now)
        return
    b = now.bin
    quiet = quiet_kpa(s)
    if s.kpa >= HIGH_SHARE * quiet:
        s.high_bin, s.fell_bin, s.linger = b, -1, 0
    elif s.kpa < num.off_kpa:
        s.fell_bin = b if s.fell_bin < 0 else s.fell_bin
    elif s.kpa < 0.5 * quiet:
        s.linger += 1
    if s.opening != NONE and s.kpa >= SURE_SHARE * quiet:
        make_sure(s)
    s.off_run = s.off_run + 1 if s.kpa < num.off_kpa else 0
    if s.off_run >= num.off_bins:
        detach(s, now, num)


@compiled
def attach(s: Any, now: Now) -> None:
    """Begin an attachment; it opens a milking when none is open."""
    s.attached, s.settled, s.off_run, s.milked = 1, 0, 0, 0
    s.on_bin = now.bin - s.on_run + 1
    s.high_bin, s.fell_bin, s.linger = s.on_bin, -1, 0
    s.removal_kpa = np.nan
    forget_arm(s)
    forget_level(s)
    begin_trace(s)
    h = report(now, ATTACHED, s.index)
    h.from_bin, h.flag, h.value = s.on_bin, (0 if s.open == OPEN_MILKING else 1), s.seen_off
    if s.open != OPEN_MILKING:
        open_milking(s, s.on_bin)
        s.on_bins = s.data_bins = s.on_run - 1


@compiled
def watch_settling(s: Any, b: int, level_kpa: float, num: KernelNumbers) -> None:
    """Wait until the vacuum is steady after attaching; then the detector listens."""
    steady = s.seen >= LAG + SPAN and abs(level_kpa - s.level_sum / SPAN) < num.steady_kpa
    s.steady_run = s.steady_run + 1 if steady else 0
    push_level(s, level_kpa)
    age = b - s.on_bin
    milking = s.flow_bin < 0 or s.flow_slow > FIRST_MILK_KG_MIN or age >= num.settle_dry
    if (age >= num.settle_min and s.steady_run >= SPAN and milking) or age >= num.settle_max:
        s.settled = 1
        find_ripple(s, SPAN)


@compiled
def detach(s: Any, now: Now, num: KernelNumbers) -> None:
    """Close the attachment; tell a take-off from a unit that lost its seal by how the vacuum went."""
    low = now.bin - s.off_run + 1
    start = max(s.high_bin + 1, s.on_bin)
    fall_s = (s.fell_bin - start + 1) * BIN_S
    if s.opening != NONE:
        if fall_s < num.sudden_fall_s or s.linger * BIN_S > num.linger_s:
            end_by_loss(s, start, now, num)
        else:
            end_by_removal(s, start, now, num)
    s.on_bins = max(0, s.on_bins - (now.bin - low))
    s.data_bins = max(0, s.data_bins - (now.bin - low))
    let_go(s, low, start, now)


@compiled
def let_go(s: Any, off_bin: int, removal_bin: int, now: Now) -> None:
    """Set the stall to off as of a bin."""
    close_support(s, off_bin, removal_bin, now)
    h = report(now, DETACHED, s.index)
    h.to_bin = off_bin
    s.attached, s.settled, s.on_run, s.off_run, s.off_bin, s.opening = 0, 0, 0, 0, off_bin, NONE


@compiled
def end_by_loss(s: Any, start: int, now: Now, num: KernelNumbers) -> None:
    """Finish an event with which the unit lost its seal; the arm tells who took it off."""
    split_loss(s, start, now, num)
    s.ev_last = now.bin - s.off_run + 1
    if s.near_park < 0:  # nobody knows yet where the arm is parked: any fast motion must do
        pulled = start - ARM_AHEAD <= s.moved_bin <= start + ARM_BEHIND or s.moved_bin < start <= s.arm_bin
    else:
        pulled = start - ARM_AHEAD <= s.parked_bin <= start + ARM_BEHIND
    s.ev_low = WITH_ARM if pulled else WITHOUT_ARM
    report_event(s, now, num)


@compiled
def end_by_removal(s: Any, start: int, now: Now, num: KernelNumbers) -> None:
    """Finish an event during which the unit was taken off as usual: what the take-off added is no air."""
    if s.ev_on >= start - JUST_BEFORE:
        return
    back_to_sure(s)
    report_event(s, now, num)


@compiled
def quiet_kpa(s: Any) -> float:
    """Return the vacuum that the attached unit had while it was quiet."""
    if s.opening == OPEN:
        return float(s.ev_base + s.ev_common)
    return float(s.level_sum / SPAN) if s.seen >= LAG + SPAN else UNKNOWN_QUIET_KPA
