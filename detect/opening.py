"""The figures of one opening, where it resealed, and how it ended: resealed, taken off, or fallen.

Air is kept as a running sum by bin, so that what came in since any of the last bins can be told. Where
the vacuum collapses within an opening, what was heard before is kept apart: a slip may end in a fall.
"""

from __future__ import annotations

import math
from typing import Any

from detect.foresee import began_ago
from detect.machine import compiled
from detect.params import BIN_S
from detect.state import LATE, RING, Opening

MASK = RING - 1
PAUSE = int(Opening.PAUSE)
CLEAR, CLEAR_SHARE, ANEW = 8.0, 0.3, 4  # rises and falls that tell a reseal; after 0.2 s it is another one
NEAR_RESEAL = 12  # bins (0.6 s) around it in which air may seem to end
RINGING_L_MIN, RINGING_SHARE = 4.0, 0.4  # the least of a vent (ISO 5707, from memory); of the event's peak
FALLEN = 40  # bins (2 s) under half the quiet vacuum: no slip if the milk stays away too
LESS_MILK, NO_MILK = 0.6, 0.15  # of the flow before: a meter lags by 2-4 s
LASTING, HANGING_SHARE, SOME_KG_MIN = 100, 0.8, 0.6  # after 5 s under this share without milk it is off, too
CLOSE_TO_HALF = 0.65  # what fell under half must come up to more than this again
STEEP_BINS, STEEP_SHARE, APART = 10, 0.06, 4  # a collapse is steep; what began 0.2 s before it is apart
EASING, LONGEST_EASING, EASY_SHARE = 5, 60, 0.45  # a take-off takes 0.25 s or more, and no 0.1 s of it half
EMPTY_SHARE = 0.1  # of the quiet vacuum: no more than that is left
NEARLY_QUIET, GONE_SHARE = 0.93, 0.15  # of the quiet vacuum: where it begins, and what must be gone by then
DRIEST_KG_MIN = 0.4  # an empty tube has no inertia: the smallest noise would pass for litres


@compiled
def push_air(s: Any, air_l_min: float) -> None:
    """Add one bin of air to the running sum."""
    i = s.air_seen
    last = s.air_sum[(i - 1) & MASK] if i > 0 else 0.0
    s.air_sum[i & MASK] = last + air_l_min * BIN_S / 60.0
    s.air_seen = i + 1


@compiled
def air_at(s: Any, back: int, reference: float) -> float:
    """Return the excess air [L/min] ``back`` bins ago (0 is the newest)."""
    n = s.air_seen - 1 - back
    return float(s.air_sum[n & MASK] - s.air_sum[(n - 1) & MASK]) * 60.0 / BIN_S - reference


@compiled
def note_depth(s: Any, b: int) -> None:
    """Keep the deepest fall and the steepest fall within 0.25 s."""
    here = s.raw[b & MASK]
    if not math.isnan(here):
        s.ev_depth = max(s.ev_depth, s.ev_base + s.ev_common - here)
        before = s.raw[(b - 5) & MASK]
        if not math.isnan(before):
            s.ev_fall = max(s.ev_fall, before - here)


@compiled
def note_collapse(s: Any, b: int) -> None:
    """Note where the vacuum began to go under half, and what was heard before: a slip may end in a fall."""
    on = b
    steep = STEEP_SHARE * s.ev_base
    while on > s.op_on and b - on < STEEP_BINS and s.raw[(on - 1) & MASK] > s.raw[on & MASK] + steep:
        on -= 1
    s.low_on = on
    s.eased = 1 if has_eased(s, b) else 0
    if s.eased == 1 or on - s.op_on < APART or s.ev_low >= FALLEN:  # eased: figures are sure until then
        return
    depth, fall = s.sure_depth, s.sure_fall  # of openings before this one
    make_sure(s)
    s.sure_last, s.sure_l = on - 1, s.late_l[(on - 1) % LATE]
    s.sure_depth, s.sure_fall = depth, fall
    for at in range(max(s.op_on, b - MASK), on):
        here, before = s.raw[at & MASK], s.raw[(at - 5) & MASK]
        if not math.isnan(here):
            s.sure_depth = max(s.sure_depth, s.ev_base + s.ev_common - here)
            s.sure_fall = s.sure_fall if math.isnan(before) else max(s.sure_fall, before - here)


@compiled
def has_eased(s: Any, b: int) -> bool:
    """Tell whether a shut valve let the vacuum go before it collapsed; heard late, the collapse is over."""
    on, steep, empty = b, STEEP_SHARE * s.ev_base, EMPTY_SHARE * s.ev_base
    while b - on < STEEP_BINS:
        here, before = s.raw[on & MASK], s.raw[(on - 1) & MASK]
        if not (before > here + steep or before < empty):
            break
        on -= 1
    return bool(easing_began(s, on) < on)


@compiled
def easing_began(s: Any, to: int) -> int:
    """Return the bin in which a shut valve began to let the vacuum go; ``to`` after an opening.

    Through the vent it goes little by little.
    """
    quiet, steepest, lowest, at = s.ev_base + s.ev_common, 0.0, math.nan, to - 1
    while to - at < LONGEST_EASING:
        here = s.raw[at & MASK]
        if here >= NEARLY_QUIET * quiet:
            break
        lowest = here if math.isnan(lowest) else lowest  # the newest that was measured
        fall = s.raw[(at - 2) & MASK] - here
        steepest = fall if fall > steepest else steepest
        at -= 1
    gone = quiet - lowest
    eased = to - at > EASING and gone > GONE_SHARE * quiet and steepest < EASY_SHARE * gone
    return int(at + 1) if eased else int(to)


@compiled
def has_fallen(s: Any, b: int) -> bool:
    """Tell a unit off its teats from a long slip: the vacuum stays away, and no milk comes any more."""
    if s.low_run >= FALLEN:
        return bool(s.flow_bin < 0 or s.ev_flow < DRIEST_KG_MIN or s.flow < LESS_MILK * s.ev_flow)
    lasting = b - s.op_on > LASTING and s.raw[b & MASK] < HANGING_SHARE * s.ev_base
    return bool(lasting and s.ev_flow > SOME_KG_MIN and s.flow < NO_MILK * s.ev_flow)


@compiled
def make_sure(s: Any) -> None:
    """Keep the event's figures as of a bin near the quiet vacuum; once the unit fell they stay as before."""
    if s.ev_low >= FALLEN:
        return
    s.sure_last, s.sure_pulses, s.sure_low = s.ev_last, s.ev_pulses, s.ev_low
    s.sure_l, s.sure_peak, s.sure_depth = s.ev_l, s.ev_peak, s.ev_depth
    s.sure_fall = s.ev_fall


@compiled
def back_to_sure(s: Any) -> None:
    """Make the event what it was before the vacuum left the quiet one for the last time."""
    s.ev_last, s.ev_pulses, s.ev_low = s.sure_last, s.sure_pulses, s.sure_low
    s.ev_l, s.ev_peak, s.ev_depth = s.sure_l, s.sure_peak, s.sure_depth
    s.ev_fall = s.sure_fall


@compiled
def note_reseal(s: Any, b: int) -> None:
    """Keep where the opening resealed: the last rise almost as clear as any, if no fall came after it."""
    s.op_rise = max(s.op_rise, s.now_rise)
    clear = s.now_rise > max(CLEAR, CLEAR_SHARE * s.op_rise)
    if clear and (s.now_rise > s.reseal_rise or b - s.reseal_found > ANEW):
        s.reseal_rise, s.reseal_found, s.reseal_on = s.now_rise, b, b - began_ago(s, -1.0) + 1
    elif s.now_score > max(CLEAR, CLEAR_SHARE * s.ev_score) and b > s.reseal_found:
        s.reseal_rise, s.reseal_on = 0.0, -1


@compiled
def end_pulse(s: Any) -> None:
    """End an opening and note where it resealed; the claw's ringing after a larger one prolongs nothing.

    Milk takes its time to come back into the tube, and so long air seems to flow on.
    """
    s.opening = PAUSE
    if s.ev_pulses > 1 and s.op_peak < min(RINGING_L_MIN, RINGING_SHARE * s.ev_peak):
        s.ev_pulses -= 1
        s.ev_last = s.firm_last
        return
    near = s.reseal_on > s.op_on and abs(s.ev_last + 1 - s.reseal_on) <= NEAR_RESEAL
    s.firm_last, s.firm_end = s.ev_last, s.reseal_on if near else s.ev_last + 1


@compiled
def event_end(s: Any) -> int:
    """Return the first bin after an event: where its last opening resealed, if that ended by itself."""
    return int(s.firm_end if s.ev_last == s.firm_last and s.ev_low >= 0 else s.ev_last + 1)
