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
    forget_level,
    push_level,
    report_event,
    split_loss,
)
from detect.hindsight import end_early, look_back
from detect.machine import compiled
from detect.opening import air_at, back_to_sure, easing_began, has_fallen, make_sure
from detect.params import BIN_S, KernelNumbers
from detect.place import learn_place
from detect.ripple import find_ripple
from detect.state import MILKED, RING, Happening, Now, report

MASK = RING - 1
WITH_ARM, WITHOUT_ARM = -1, -2
ATTACHED, DETACHED = int(Happening.ATTACHED), int(Happening.DETACHED)
FLOW_TRUST = 60  # bins (3 s) for which a milk-flow reading may stand in for a missing one
TWO_MINUTES = 2400
SECOND = 20
SLEW_KG_MIN = 0.5 * BIN_S  # milk flow changes by up to this in a bin; what is faster is air in the meter
DRY_WAIT = 1800  # bins (90 s) after which a unit without milk counts as let down all the same
FIRST_MILK_KG_MIN, RISING_SHARE = 0.2, 0.9  # what falls is what a meter remembers of the milk before
OPEN_MILKING = 1
HIGH_SHARE, SURE_SHARE = 0.8, 0.93  # of the quiet vacuum: above, a take-off has not begun
UNKNOWN_QUIET_KPA = 42.0  # an ordinary claw vacuum, until the unit's own is known
UNTOLD, TOLD = 1, 2  # of a fall
FIRST_CUP_KPA, CUP_GAP = 5.0, 60  # cups stand under vacuum; between two of them it may be gone for 3 s
LINE_OPEN_KPA, SHUT_S = 0.5, 2.0  # over the reading of the last 2 s of a shut line: an open one
LONGEST_PUTTING_ON = 600  # bins (30 s)
FASTEST_S, USUAL_TAKE_OFFS, ODD = 0.12, 8, 2.0  # of a take-off; so many tell the usual one
OPEN_LINE_KPA, SHUT = 1.5, 60  # less than that for 3 s is a line shut off, or one that is wide open
LONGEST_HANG = 2000  # bins (100 s) after which the fall is told anyway, before its milking is closed
BACK_SHARE = 0.9  # of the vacuum before the fall
METER_CLEAR, MILK_AGAIN_KG_MIN = 200, 0.5  # 10 s after the fall a meter has forgotten; what flows is milk
ARM_AHEAD, ARM_BEHIND = 20, 120  # bins around the fall in which the arm of a unit pulled off moves


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
        s.milked += 1 if (flows and b - s.up_bin > num.settle_min) or b - s.up_bin > DRY_WAIT else 0
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
        watch_first_cup(s, now.bin)
        s.on_run = s.on_run + 1 if s.kpa > num.on_kpa else 0
        if s.hanging > 0:
            watch_hanging(s, now, num)
        if s.on_run >= num.on_bins and is_put_on(s, now.bin):
            attach(s, now, num)
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
    if s.opening == OPEN and has_fallen(s, b) and (s.low_run == 0 or was_opened(s, b, num)):
        fall(s, now, num)
    elif s.off_run >= num.off_bins:
        detach(s, now, num)


@compiled
def watch_first_cup(s: Any, b: int) -> None:
    """Note when the first cup went on: cup by cup the vacuum rises, for up to 20 s.

    The cups that still hang open may bring it down again, but not to what the shut line showed.
    """
    putting_on = s.cup_bin >= 0 and s.hanging == 0 and b - s.cup_bin < LONGEST_PUTTING_ON
    if s.hanging == 0 and (s.kpa > FIRST_CUP_KPA or (putting_on and s.kpa > s.shut_kpa + LINE_OPEN_KPA)):
        s.cup_bin, s.cup_last = (s.cup_bin if putting_on else b), b
    elif b - s.cup_last > CUP_GAP or s.hanging > 0:
        s.cup_bin = -1
        s.shut_kpa += BIN_S / SHUT_S * (s.kpa - s.shut_kpa)


@compiled
def watch_hanging(s: Any, now: Now, num: KernelNumbers) -> None:
    """Follow a fallen unit until its arm took it away or its line was shut off: only then it is off."""
    b = now.bin
    if s.kpa > OPEN_LINE_KPA:
        if s.hanging == UNTOLD:
            s.ev_l += s.hang_l_min * (b - s.hang_last) * BIN_S / 60.0
        s.hang_last = b
    taken = s.near_park == 1 and s.parked_bin >= s.hang_from - ARM_AHEAD
    if taken or b - s.hang_last > SHUT:
        end_hanging(s, now, num)
    elif s.hanging == UNTOLD and b - s.hang_from > LONGEST_HANG:
        tell_fall(s, now, num)
        s.hanging = TOLD


@compiled
def is_put_on(s: Any, b: int) -> bool:
    """Tell a fallen unit that was put on again from one whose line just stands open."""
    milk = b - s.hang_from > METER_CLEAR and s.flow > MILK_AGAIN_KG_MIN
    return bool(s.hanging == 0 or s.kpa > BACK_SHARE * s.hang_quiet or milk)


@compiled
def tell_fall(s: Any, now: Now, num: KernelNumbers) -> None:
    """Report how the unit lost its seal; the arm tells who took it off."""
    start = s.hang_from
    if s.near_park < 0:  # nobody knows yet where the arm is parked: any fast motion must do
        pulled = start - ARM_AHEAD <= s.moved_bin <= start + ARM_BEHIND or s.moved_bin < start <= s.arm_bin
    else:
        pulled = start - ARM_AHEAD <= s.parked_bin <= start + ARM_BEHIND
    s.ev_low = WITH_ARM if pulled else WITHOUT_ARM
    s.ev_last = s.hang_off if pulled else s.hang_last
    report_event(s, now, num)
    if not pulled:  # the milking lasted until then
        h = report(now, DETACHED, s.index)
        h.to_bin = s.hang_last + 1


@compiled
def end_hanging(s: Any, now: Now, num: KernelNumbers) -> None:
    """End the wait for a fallen unit: it is off, or on again."""
    if s.hanging == UNTOLD:
        tell_fall(s, now, num)
    s.hanging = 0


@compiled
def attach(s: Any, now: Now, num: KernelNumbers) -> None:
    """Begin an attachment; it opens a milking when none is open."""
    end_hanging(s, now, num)
    s.attached, s.settled, s.off_run, s.milked = 1, 0, 0, 0
    s.up_bin = now.bin - s.on_run + 1
    s.on_bin = s.cup_bin if s.cup_bin >= 0 else s.up_bin
    s.cup_bin = -1
    s.high_bin, s.fell_bin, s.linger = s.on_bin, -1, 0
    s.removal_kpa = np.nan
    learn_place(s, num.out_log_odds)
    look_back(s, now, num)
    forget_arm(s)
    forget_level(s)
    begin_trace(s)
    h = report(now, ATTACHED, s.index)
    h.from_bin, h.flag, h.value = s.on_bin, (0 if s.open == OPEN_MILKING else 1), s.seen_off
    if s.open != OPEN_MILKING:
        open_milking(s, s.on_bin)
    s.on_bins += now.bin - s.on_bin
    s.data_bins += now.bin - s.on_bin


@compiled
def watch_settling(s: Any, b: int, level_kpa: float, num: KernelNumbers) -> None:
    """Wait until the vacuum is steady after attaching; then the detector listens."""
    steady = s.seen >= LAG + SPAN and abs(level_kpa - s.level_sum / SPAN) < num.steady_kpa
    s.steady_run = s.steady_run + 1 if steady else 0
    push_level(s, level_kpa)
    age = b - s.up_bin
    flows = s.flow_slow > FIRST_MILK_KG_MIN and s.flow > RISING_SHARE * s.flow_slow
    milking = s.flow_bin < 0 or flows or age >= num.settle_dry
    if (age >= num.settle_min and s.steady_run >= SPAN and milking) or age >= num.settle_max:
        s.settled = 1
        find_ripple(s, SPAN)


@compiled
def last_fall(s: Any) -> int:
    """Return the bin in which the vacuum began to leave for the last time."""
    start = max(s.high_bin + 1, s.on_bin)
    return int(max(start, s.low_on)) if s.opening == OPEN and s.low_run > 0 else int(start)


@compiled
def fall_s(s: Any) -> float:
    """Return how long the vacuum took to go [s]; where no data came just before, it may have begun then."""
    on = last_fall(s)
    while on > s.high_bin + 1 and math.isnan(s.raw[(on - 1) & MASK]):
        on -= 1
    return float((s.fell_bin - on + 1) * BIN_S)


@compiled
def learn_take_off(s: Any) -> None:
    """Learn how long a claw of this stall takes to empty: volume and vent are its own."""
    if s.fell_bin < 0 or math.isnan(s.raw[(last_fall(s) - 1) & MASK]):
        return
    took_s = fall_s(s)
    s.take_offs = min(s.take_offs + 1, USUAL_TAKE_OFFS)
    took_s = min(max(took_s, s.take_off_s / ODD), s.take_off_s * ODD)
    s.take_off_s += (took_s - s.take_off_s) / (s.take_offs + 1)


@compiled
def was_opened(s: Any, b: int, num: KernelNumbers) -> bool:
    """Tell a unit that lost its seal from a take-off, by how its vacuum went."""
    limit = min(max(0.5 * s.take_off_s, FASTEST_S), num.sudden_fall_s)
    eased = s.opening == OPEN and s.low_run > 0 and s.eased == 1
    sudden = not eased and s.fell_bin >= 0 and fall_s(s) < limit
    return bool(sudden or s.linger * BIN_S > num.linger_s or came_back(s, b))


@compiled
def came_back(s: Any, b: int) -> bool:
    """Tell an open line: after the vacuum was gone some came back, which behind a shut valve cannot be."""
    if s.milked < MILKED:  # cups that still hang open while others are put on do the same
        return False
    lowest = s.kpa
    for at in range(b - min(s.off_run, RING) + 1, b):
        here = s.raw[at & MASK]
        lowest = here if here < lowest else lowest
    return bool(s.kpa > lowest + OPEN_LINE_KPA)


@compiled
def detach(s: Any, now: Now, num: KernelNumbers) -> None:
    """Close the attachment; tell a take-off from a unit that lost its seal by how the vacuum went."""
    low = now.bin - s.off_run + 1
    start = max(s.high_bin + 1, s.on_bin)
    if s.opening == OPEN and s.low_run > 0 and s.eased == 1:
        start = min(start, max(easing_began(s, s.low_on), s.on_bin))
    if s.opening != NONE:
        if was_opened(s, now.bin, num):
            lose_unit(s, last_fall(s), now, num)
        else:
            end_by_removal(s, start, now, num)
    learn_take_off(s)
    s.on_bins = max(0, s.on_bins - (now.bin - low))
    s.data_bins = max(0, s.data_bins - (now.bin - low))
    let_go(s, low, start, now)


@compiled
def fall(s: Any, now: Now, num: KernelNumbers) -> None:
    """Close the attachment of a unit that lies or hangs open."""
    start = s.low_on if s.ev_low > 0 else s.op_on
    lose_unit(s, start, now, num)
    s.on_bins = max(0, s.on_bins - (now.bin - start))
    s.data_bins = max(0, s.data_bins - (now.bin - start))
    let_go(s, start, start, now)


@compiled
def let_go(s: Any, off_bin: int, removal_bin: int, now: Now) -> None:
    """Set the stall to off as of a bin."""
    close_support(s, off_bin, removal_bin, now)
    end_early(s, off_bin, s.astray_bins > 0)
    h = report(now, DETACHED, s.index)
    h.to_bin = off_bin
    s.attached, s.settled, s.on_run, s.off_run, s.off_bin, s.opening = 0, 0, 0, 0, off_bin, NONE


@compiled
def lose_unit(s: Any, start: int, now: Now, num: KernelNumbers) -> None:
    """Begin to wait for what becomes of a unit that lost its seal; what was heard before is told apart."""
    split_loss(s, start, now, num)
    s.hanging, s.hang_from, s.hang_last, s.hang_off = UNTOLD, start, now.bin, now.bin - s.off_run + 1
    s.hang_quiet = max(s.ev_base + s.ev_common, s.usual)
    s.hang_l_min = max(0.0, air_at(s, 0, s.ev_ref))


@compiled
def end_by_removal(s: Any, start: int, now: Now, num: KernelNumbers) -> None:
    """Finish an event during which the unit was taken off as usual: what the take-off added is no air."""
    if s.ev_on >= start - JUST_BEFORE:
        return
    back_to_sure(s)
    if s.ev_pulses > 1 and s.op_on >= start - JUST_BEFORE:  # its last opening was the valve
        s.ev_pulses -= 1
        s.ev_last = s.firm_last
    report_event(s, now, num)


@compiled
def quiet_kpa(s: Any) -> float:
    """Return the vacuum that the attached unit had while it was quiet."""
    if s.opening == OPEN:
        return float(s.ev_base + s.ev_common)
    return float(s.level_sum / SPAN) if s.seen >= LAG + SPAN else UNKNOWN_QUIET_KPA
