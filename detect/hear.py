"""Hear air: from a stall's vacuum to litres of free air and to events, one bin at a time.

Whether a bin belongs to an opening is judged by :mod:`detect.foresee`; how much air came in, by the
claw model of :mod:`detect.claw`, driven by the fall below the running baseline. An event begins where
the fall most likely began, not where the alarm rang; reference and baseline are frozen meanwhile, so
an event cannot hide itself.
"""

from __future__ import annotations

import math
from typing import Any

from detect.foresee import bar, began_ago, compare, learn_tail, learn_trace
from detect.machine import compiled
from detect.opening import (
    APART,
    CLOSE_TO_HALF,
    FALLEN,
    air_at,
    back_to_sure,
    end_pulse,
    event_end,
    make_sure,
    note_collapse,
    note_depth,
    note_reseal,
    push_air,
)
from detect.params import BIN_S, KernelNumbers
from detect.ripple import find_ripple, learn_ripple, ripple_kpa, turn_waves
from detect.state import LATE, MILKED, RING, Happening, Now, Opening, report
from detect.tubes import rest_tube

MASK = RING - 1
STALE, WEAK_L_MIN, ADAPT_S = 60, 40.0, 3.0  # a weak opening of over 3 s becomes the new quiet
USUAL_S = 20.0  # memory of the usual vacuum, which an unsettled stretch before a fall hardly moves
SLOW_SHARE = 0.5  # a fall of which less than this came within 0.25 s did not begin with an opening
DEEP_SHARE = 0.3  # under this share of the quiet vacuum nothing has resealed
ECHO_SHARE = 0.15  # of the event's peak: a smaller further opening is the recovery from the last one
PLAIN_SCORE = 20.0  # no slug fell or came back as suddenly
DEEP_KPA = 12.0  # before it the slugs of a heavy line may hide all litres of a short slip
FAINT_RISE = 6.0  # and it did not reseal like a slip
FAINT_L_MIN = 20.0  # what never was more and took longer than that was a drift, no air
MORE_MILK, SOME_MORE_KG_MIN = 1.3, 0.3  # what came with so much more milk was its rise
SUNK_SHARE = 0.5  # of the depth
GIVE_BACK = 13  # the claw's spring gives back what it took within 0.6 s of the reseal
CAUTION = 0.4  # per kPa beyond
CAUTION_KPA = 0.7  # while the whole plant moves more than this a stall must say more
LOUD_KPA = 6.0  # a bin further off than this teaches the ripple nothing
LAG, SPAN = 6, 40  # the baseline is the mean of 2 s, 0.3 s ago (two pulsations, ahead of the event)
BEFORE = 30  # the reference of a window is the 1.5 s before it
HELD_AFTER = 20  # baseline and reference stay frozen for 1 s after an opening
LOOK_AGAIN = 100  # bins (5 s) of air after which the pulsation is looked for once more
JUST_BEFORE = 10  # bins (0.5 s): what begins so shortly before a loss or a take-off is part of it
CERTAIN = 5  # bins (0.25 s) after which a loss within a longer leak is told
YOUNG, ALL_ON = 320, 400  # bins (16 and 20 s) since the first cup: another may still be put on, or hardly any
LEAST_L = 0.03  # less than this is lost among the slugs
SMALL_L = 0.15  # under this the odds against a slug go with the litres, where there are many
USUAL_TAIL, HEAVY_TAIL = 2.8, 3.6  # of stalls with ordinary slugs and with heavy ones
LEAST_L_MIN = 0.3  # and less than this on the mean among the drifts: the vent alone takes in 4-12 L/min
LONG, LONG_L_MIN = (
    400,
    2.0,
)  # over 20 s less than this is no slip: a sound unit takes in up to 0.8 all the time
NONE, OPEN, PAUSE = int(Opening.NONE), int(Opening.OPEN), int(Opening.PAUSE)
FOUND, CLOSED = int(Happening.AIR_FOUND), int(Happening.AIR_CLOSED)
UNLEARNED = 120  # bins (6 s) after an event from which nothing is learned
SEALING_KPA = 1.0  # of rise over an event that was a cup put on
ONSET = 6  # bins (0.3 s) of an opening that count among those that exceed
SHORTEST_QUIET = 6  # bins (0.3 s) that tell how much air a quiet unit takes
LEAD = 2  # bins of air before the first event


@compiled
def forget_level(s: Any) -> None:
    """Drop the baseline and the reference, as at attaching or after a long gap."""
    s.seen = 0
    s.level_sum = 0.0
    s.air_seen = 0
    s.steady_run = 0
    s.hold_until = -1


@compiled
def push_level(s: Any, level_kpa: float) -> None:
    """Add one bin to the baseline's ring and keep its running sum."""
    i = s.seen
    s.usual = level_kpa if i == 0 else s.usual + BIN_S / USUAL_S * (level_kpa - s.usual)
    s.level[i & MASK] = level_kpa
    if i >= LAG:
        s.level_sum += s.level[(i - LAG) & MASK]
    if i >= LAG + SPAN:
        s.level_sum -= s.level[(i - LAG - SPAN) & MASK]
    s.seen = i + 1


@compiled
def open_event(s: Any, began: int, base_kpa: float, now: Now) -> None:
    """Begin an opening ``began`` bins ago, this one included, and take the figures since then."""
    b, back = now.bin, began - 1
    n = s.air_seen - 1
    quiet = min(BEFORE, n - began)
    reference = 0.0
    if quiet > SHORTEST_QUIET:
        litres = s.air_sum[(n - began) & MASK] - s.air_sum[(n - began - quiet) & MASK]
        reference = litres * 60.0 / (quiet * BIN_S)
    peak = 0.0
    for i in range(began):
        peak = max(peak, air_at(s, i, reference))
    if s.opening == PAUSE and peak < ECHO_SHARE * s.ev_peak:
        return
    on = max(b - back, s.resume_bin)
    torn = s.opening == PAUSE and on == s.resume_bin and s.ev_last < s.resume_bin  # a gap lay in between
    if not torn:
        s.op_on, s.op_found, s.low_run = on, b, 0
        s.op_rise, s.reseal_rise, s.reseal_found, s.reseal_on = 0.0, 0.0, b, -1
    s.quiet_run = 0
    s.op_peak = peak
    if s.opening == NONE:
        s.ev_on, s.ev_found, s.ev_pulses = on, b, 0
        s.ev_base, s.ev_ref = base_kpa, reference
        s.ev_flow = s.flow if s.flow_bin >= 0 else s.flow_slow
        s.ev_l, s.ev_peak, s.ev_depth, s.ev_fall, s.ev_low = 0.0, 0.0, 0.0, 0.0, 0
        s.ev_score, s.ev_rise, s.ev_milked, s.ev_tail = 0.0, 0.0, s.milked, s.tail_before
        make_sure(s)
        s.ev_peak_flow, s.ev_age = s.peak_flow, on - s.first_bin
        s.ev_common = now.sensed_kpa + now.shared_kpa
        s.ev_rising = 1 if s.flow_slow > 1.05 * s.flow_slower else 0
        h = report(now, FOUND, s.index)
        h.from_bin, h.found_bin, h.flow, h.base = on, b, s.ev_flow, base_kpa
    s.opening = OPEN
    s.ev_pulses += 0 if torn else 1
    s.ev_last = b
    for i in range(back, 0, -1):  # air of the bins before this one; this bin is counted by the caller
        s.ev_l += air_at(s, i, s.ev_ref) * BIN_S / 60.0
        s.late_l[(b - i) % LATE] = s.ev_l
    for at in range(on, b):
        note_depth(s, at)


@compiled
def follow_event(s: Any, b: int, excess: float, num: KernelNumbers) -> None:
    """Carry an opening on by one bin; it ends when its air stays small."""
    s.ev_l += excess * BIN_S / 60.0
    s.late_l[b % LATE] = s.ev_l
    level = 0.5 * (excess + air_at(s, 1, s.ev_ref))
    slow = s.ev_fall < SLOW_SHARE * s.ev_depth
    s.drifting = 1 if b - s.op_on > STALE and s.low_run < FALLEN and (slow or level < WEAK_L_MIN) else 0
    if s.drifting == 1:
        s.ev_ref += BIN_S / ADAPT_S * air_at(s, 0, s.ev_ref)
    s.op_peak = max(s.op_peak, level)
    s.ev_peak = max(s.ev_peak, level)
    note_depth(s, b)
    share = num.fall_off_share if s.low_run == 0 else CLOSE_TO_HALF
    if s.raw[b & MASK] < share * s.ev_base:
        if s.low_run == 0:
            note_collapse(s, b)
        s.low_run += 1
    else:
        s.low_run = 0
    s.ev_low = max(s.ev_low, s.low_run)
    if excess > num.close_share * s.op_peak:
        s.ev_last = b
        s.quiet_run = 0
    elif s.raw[b & MASK] > DEEP_SHARE * s.ev_base:
        s.quiet_run += 1
        if s.quiet_run >= 4:
            end_pulse(s)
            s.hold_until = b + HELD_AFTER
            make_sure(s)


@compiled
def take_up(s: Any, kpa: float) -> None:
    """Take up an opening that a gap tore while the unit hung open, if it still does."""
    torn = s.opening == PAUSE and s.ev_last == s.gap_bin - 1 and s.low_run > 0
    if torn and kpa < CLOSE_TO_HALF * s.ev_base:
        s.opening = OPEN


@compiled
def still_sealed(s: Any) -> bool:
    """Tell a slip before the first milk from attaching: each cup that is put on raises the vacuum."""
    return bool(s.seen < LAG + SPAN or s.level_sum / SPAN - s.ev_base < SEALING_KPA)


@compiled
def sunk(s: Any) -> bool:
    """Tell an event after which the vacuum did not come back: milk or the plant, nothing resealed."""
    left = s.ev_base - s.level_sum / SPAN
    return bool(s.ev_low >= 0 and s.seen >= LAG + SPAN and left > SUNK_SHARE * s.ev_depth)


@compiled
def plain(s: Any) -> bool:
    """Tell an event that fell and resealed as suddenly as no slug and no rise of milk does."""
    return bool(min(s.ev_score, 2.0 * s.ev_rise) > PLAIN_SCORE)


@compiled
def still_putting_on(s: Any) -> float:
    """Return how far another cup must be reckoned with, 0 to 1."""
    return float(min(max((ALL_ON - (s.ev_on - s.on_bin)) / (ALL_ON - YOUNG), 0.0), 1.0))


@compiled
def belief(s: Any, num: KernelNumbers) -> float:
    """Return how likely the event was air and no slug; a unit that lost its seal is beyond doubt."""
    cups = still_putting_on(s)
    if s.ev_low < 0 or (s.ev_low > 0 and cups == 0.0):
        return 1.0
    constant, rise, tail, attaching = num.belief
    odds = constant + rise * math.log(max(s.ev_rise, 1.0)) + tail * math.log(s.ev_tail)
    slugs = min(max((s.ev_tail - USUAL_TAIL) / (HEAVY_TAIL - USUAL_TAIL), 0.0), 1.0)
    odds += slugs * math.log(min(max(s.ev_l, LEAST_L) / SMALL_L, 1.0))
    return float(1.0 / (1.0 + math.exp(-odds - attaching * cups)))


@compiled
def too_little(s: Any) -> bool:
    """Tell air lost among slugs and drifts; a deep and plain fall let some in, however little is found."""
    if s.ev_depth > DEEP_KPA and plain(s):
        return False
    lasted = s.ev_last + 1 - s.ev_on
    least_l_min = LONG_L_MIN if lasted > LONG and s.ev_low == 0 else LEAST_L_MIN
    return bool(s.ev_depth <= 0.0 or s.ev_l < max(LEAST_L, least_l_min / 60.0 * lasted * BIN_S))


@compiled
def report_event(s: Any, now: Now, num: KernelNumbers) -> None:
    """Write a finished event to the output and clear it; what was hardly air is dropped."""
    s.opening = NONE
    if too_little(s):
        return
    if s.ev_milked < MILKED and not still_sealed(s):
        return
    more_milk = s.flow_bin >= 0 and s.flow > MORE_MILK * s.ev_flow + SOME_MORE_KG_MIN
    if sunk(s) and (more_milk or s.ev_fall < SLOW_SHARE * s.ev_depth):
        return
    faint = s.ev_pulses == 1 and s.ev_peak < FAINT_L_MIN and s.ev_rise < FAINT_RISE
    if faint and s.ev_last - s.ev_on > STALE:
        return
    believed = belief(s, num)
    if believed < num.least_belief:
        return
    if plain(s):  # no slug: it must not raise a bad stall's bar
        s.tail = min(s.tail, s.ev_tail)
    h = report(now, CLOSED, s.index)
    h.from_bin, h.to_bin, h.found_bin = s.ev_on, event_end(s), s.ev_found
    h.depth, h.fall, h.litres, h.peak = s.ev_depth, s.ev_fall, max(s.ev_l, LEAST_L), s.ev_peak
    h.pulses, h.flow, h.base, h.score = s.ev_pulses, s.ev_flow, s.ev_base, s.ev_score
    h.flag, h.value, h.rise = s.ev_low, s.ev_common, s.ev_rise
    h.tail, h.belief = s.ev_tail, believed
    h.peak_flow, h.rising, h.age = s.ev_peak_flow, s.ev_rising, s.ev_age


@compiled
def split_loss(s: Any, start: int, now: Now, num: KernelNumbers) -> None:
    """Make the loss of the unit an event of its own; what was heard before it is told apart."""
    if s.ev_pulses == 1 and s.op_on >= start - APART:
        return
    litres, depth, fall, low, last = s.ev_l - s.sure_l, s.ev_depth, s.ev_fall, s.ev_low, s.ev_last
    pulses = s.ev_pulses - (1 if s.op_on >= start - APART else 0)
    back_to_sure(s)
    s.ev_last, s.ev_pulses = min(s.ev_last, start - 1), pulses
    report_event(s, now, num)
    s.ev_on = max(s.op_on, start)
    s.ev_found, s.ev_last, s.ev_pulses = max(s.op_found, s.ev_on + CERTAIN), last, 1
    s.ev_l, s.ev_peak, s.ev_depth, s.ev_fall, s.ev_low = litres, s.op_peak, depth, fall, low


@compiled
def expect(s: Any, kpa: float, now: Now) -> None:
    """Hold one bin of a settled unit against its baseline and ripple; ``rest`` is what is left over."""
    level_kpa, waves = kpa - now.sensed_kpa, now.waves[s.index]
    turn_waves(waves, s.pulse_phase)
    s.now_level = level_kpa
    if s.seen < LAG + SPAN:
        push_level(s, level_kpa)
        return
    base = s.ev_base if s.opening == OPEN else s.level_sum / SPAN
    s.rest = level_kpa - ripple_kpa(s, waves) - base
    s.ready = 1


@compiled
def take_in(s: Any, now: Now, num: KernelNumbers) -> tuple[float, float]:
    """Return how far the vacuum is below the quiet one, and that [kPa]; a quiet bin teaches the ripple."""
    b, common = now.bin, now.sensed_kpa + now.shared_kpa
    base = s.ev_base if s.opening == OPEN else s.level_sum / SPAN
    rest = s.rest - now.shared_kpa
    calm = s.opening != OPEN and b >= s.hold_until
    if s.air_seen == LOOK_AGAIN and s.opening == NONE and calm:
        find_ripple(s, LOOK_AGAIN)
    if (calm or (s.opening == OPEN and b - s.op_on > STALE)) and abs(rest) < LOUD_KPA:
        learn_ripple(s, now.waves[s.index], rest)
    if s.air_seen == 0:
        rest_tube(s, base + common, num.claw)
    if s.air_seen == 0 or s.resume_bin == b:
        s.fall = -rest
    return -rest, base + common


@compiled
def judge(s: Any, now: Now, num: KernelNumbers) -> None:
    """Hold the innovations against the traces of an opening; beyond the bar an event begins or goes on."""
    b = now.bin
    compare(s)
    if s.opening == NONE or (s.opening == OPEN and b - s.op_found < ONSET):
        learn_tail(s, num)
    if s.opening != NONE and b <= s.ev_last + GIVE_BACK:
        s.ev_score, s.ev_rise = max(s.ev_score, s.now_score), max(s.ev_rise, s.now_rise)
        note_reseal(s, b)
    bars = bar(s, num) * (1.0 + CAUTION * max(0.0, now.stir_kpa - CAUTION_KPA))
    if s.opening == OPEN or s.now_score <= bars:
        return
    began = min(began_ago(s, 1.0), s.air_seen - 1)
    if s.opening == NONE or b - began > s.ev_last + 2:
        open_event(s, began, s.level_sum / SPAN, now)
        s.ev_score = max(s.ev_score, s.now_score)


@compiled
def hear(s: Any, air: float, now: Now, num: KernelNumbers) -> None:
    """Take the air [L/min] of one bin for which :func:`take_in` has spoken."""
    b = now.bin
    push_air(s, air)
    if s.air_seen <= LEAD:
        push_level(s, s.now_level)
        return
    judge(s, now, num)
    if not carry_on(s, air, now, num):
        return
    if s.opening != OPEN and b >= s.hold_until:
        push_level(s, s.now_level)
        dry = s.milked == 0 and s.flow_bin >= 0  # what no milk disturbs is no measure of what milk does
        if s.opening == NONE and b > s.ev_last + UNLEARNED and not dry:
            learn_trace(s)
    else:  # an event must not become its own baseline
        n = s.air_seen - 1
        kept = s.ev_ref if s.opening == OPEN else max(air, s.ev_ref)  # after it, only a further squawk counts
        s.air_sum[n & MASK] = s.air_sum[(n - 1) & MASK] + kept * BIN_S / 60.0
        push_level(s, s.ev_base)


@compiled
def carry_on(s: Any, air_l_min: float, now: Now, num: KernelNumbers) -> bool:
    """Carry an event on by one bin; False when the baseline begins anew."""
    b, excess = now.bin, air_l_min - s.ev_ref
    if s.opening == OPEN:
        follow_event(s, b, excess, num)
        if b - s.op_on > num.longest_bins and s.low_run < FALLEN:
            report_event(s, now, num)
            forget_level(s)
            return False
    elif s.opening == PAUSE:
        if b < s.ev_last + GIVE_BACK:
            s.ev_l += excess * BIN_S / 60.0
        if b - s.ev_last > num.train_bins:
            report_event(s, now, num)
    return True
