"""Look back at a stall's first attachment, which nothing could be held against while it lasted.

What a unit shows when its arm carries it belongs to the stall and is learned from the stall's own
milkings, so the first of them has no measure of its own. Its mean beat and its mean pose are kept, and judged
with the measures that the next milkings gave; an alert is too late then, the history is not. A stall whose
cord never showed the beat that the others show is held against theirs.
"""

from __future__ import annotations

import math
from typing import Any

from detect.arm_state import RATES, SLACK, UNKNOWN_SHARE
from detect.machine import compiled
from detect.params import KernelNumbers
from detect.place import off_state, place_odds
from detect.state import Happening, Now, report
from detect.swing import RECOVERED, SWING_S, noise_power, swing_share

CLOSED = int(Happening.SUPPORT_CLOSED)
KEPT, OVER = 1, 2
EACH = 5  # arm readings (1 s) of which one is kept
LEAST_N = 20  # kept readings (20 s) that tell something
ENOUGH = 3  # attachments, the first among them, by which it is judged; with a pose, unless no cord was taut


@compiled
def keep_first(s: Any, dt_s: float) -> None:
    """Take one arm reading of an attached unit into the means of the stall's first attachment."""
    if s.first_state != 0 or s.arm_n % EACH != 0:
        return
    s.first_n += 1
    s.first_dt_s = dt_s
    s.first_angle += (s.angle_mean - s.first_angle) / s.first_n
    s.first_cord += (s.cord_mean - s.first_cord) / s.first_n
    for k in range(2):
        for i in range(RATES):
            s.first_power[k, i] += (s.bank_power[k, i] - s.first_power[k, i]) / s.first_n


@compiled
def end_first(s: Any, off_bin: int, told: bool) -> None:
    """Keep the first attachment when it ends; one of a few seconds does not count, one told needs no more."""
    if s.first_state != 0:
        return
    s.first_state, s.first_from, s.first_to = KEPT, s.on_bin, off_bin
    if told:
        s.first_state = OVER
    elif s.first_n < LEAST_N:
        s.first_state, s.first_n = 0, 0
        s.first_power[:] = 0.0


@compiled
def first_swing(s: Any, k: int) -> float:
    """Return the mean beat of the first attachment, of angle (0) or cord (1)."""
    noise = noise_power(s, k) * 2.0 * s.first_dt_s / SWING_S
    return math.sqrt(max(s.first_power[k, s.beat_at] - noise, 0.0))


@compiled
def first_verdict(s: Any, share: float, num: KernelNumbers) -> int:
    """Return what the first attachment was: 0 carried, or slack or drag."""
    if s.others_clear > 0.0:
        return SLACK if 0.0 <= share < RECOVERED else 0
    if 0.0 <= share < num.swing_share:
        return SLACK
    if place_odds(s, s.first_angle, s.first_cord) < 2.0 * num.out_log_odds:
        return 0
    off = (s.first_angle - s.place_angle, s.first_cord - s.place_cord)
    return off_state(s, share, off, num)


@compiled
def look_back(s: Any, now: Now, num: KernelNumbers) -> None:
    """Judge the first attachment once, at a later one, and report it when it was not carried."""
    if s.first_state != KEPT:
        return
    s.first_since += 1
    posed = s.visits if s.others_clear == 0.0 else s.first_since
    if min(s.first_since, posed) < ENOUGH:
        return
    s.own_swing_n = 0.0  # the stall's norm, not that of the milking before
    share = swing_share(s, first_swing(s, 0), first_swing(s, 1))
    state = first_verdict(s, share, num)
    s.first_state = OVER
    s.first_power[:] = 0.0
    if state == 0:
        return
    h = report(now, CLOSED, s.index)
    h.flag = state
    h.from_bin, h.to_bin, h.found_bin = s.first_from, s.first_to, now.bin
    h.value = share if state == SLACK and share >= 0.0 else UNKNOWN_SHARE
