"""Look back at a stall's first attachments, which little could be held against while they lasted.

What a unit shows when its arm carries it belongs to the stall and is learned from the stall's own
milkings, so the first of them have no measure of their own. The mean beat of the first and the mean poses
of the first four are kept, and judged when the fifth begins: the beat by what the stall has shown since, a
pose by those of the others. An alert is too late then, the history is not. A stall whose cord never showed
the beat that the others show is held against theirs.
"""

from __future__ import annotations

import math
from typing import Any

from detect.arm_state import EARLY, RATES, SLACK, UNKNOWN_SHARE
from detect.machine import compiled
from detect.params import KernelNumbers
from detect.place import log_odds, off_state, pose_scatter
from detect.state import Happening, Now, report
from detect.swing import RECOVERED, SWING_S, noise_power, swing_share

CLOSED = int(Happening.SUPPORT_CLOSED)
EACH = 5  # arm readings (1 s) of which one is kept
LEAST_N = 20  # kept readings (20 s) that tell something
FEWEST_OTHERS = 2  # poses that must agree with each other
SURE = 2.0  # times the log odds that tell a unit while it hangs: nobody can look any more


@compiled
def keep_early(s: Any, dt_s: float) -> None:
    """Take one arm reading of an attached unit into the means of its attachment, if that is an early one."""
    i = s.early
    if i >= EARLY or s.arm_n % EACH != 0:
        return
    s.early_n[i] += 1
    s.early_angle[i] += (s.angle_mean - s.early_angle[i]) / s.early_n[i]
    s.early_cord[i] += (s.cord_mean - s.early_cord[i]) / s.early_n[i]
    if i > 0:
        return
    s.first_dt_s = dt_s
    for k in range(2):
        for rate in range(RATES):
            s.first_power[k, rate] += (s.bank_power[k, rate] - s.first_power[k, rate]) / s.early_n[0]


@compiled
def end_early(s: Any, off_bin: int, told: bool) -> None:
    """Keep an early attachment when it ends, told of or not; one of a few seconds does not count."""
    i = s.early
    if i >= EARLY:
        return
    if s.early_n[i] >= LEAST_N:
        s.early_from[i], s.early_to[i], s.early_told[i] = s.on_bin, off_bin, 1 if told else 0
        s.early += 1
        return
    s.early_n[i], s.early_angle[i], s.early_cord[i] = 0, 0.0, 0.0
    if i == 0:
        s.first_power[:] = 0.0


@compiled
def first_swing(s: Any, k: int) -> float:
    """Return the mean beat of the first attachment, of angle (0) or cord (1)."""
    noise = noise_power(s, k) * 2.0 * s.first_dt_s / SWING_S
    return math.sqrt(max(s.first_power[k, s.beat_at] - noise, 0.0))


@compiled
def other_pose(s: Any, i: int) -> tuple[float, float, int]:
    """Return the median angle and cord of the other early attachments that were carried, and their number."""
    angles, cords, n = (0.0, math.inf, -math.inf), (0.0, math.inf, -math.inf), 0
    for k in range(EARLY):
        if k != i and s.early_told[k] == 0:
            angles, cords, n = take_up(angles, s.early_angle[k]), take_up(cords, s.early_cord[k]), n + 1
    return middle(angles, n), middle(cords, n), n


@compiled
def take_up(numbers: tuple[float, float, float], value: float) -> tuple[float, float, float]:
    """Return sum, least and largest with one more number."""
    return numbers[0] + value, min(numbers[1], value), max(numbers[2], value)


@compiled
def middle(numbers: tuple[float, float, float], n: int) -> float:
    """Return the median of up to three numbers by their sum, least and largest; 0 of none."""
    total, least, largest = numbers
    return total - least - largest if n == 3 else total / max(n, 1)


@compiled
def off_pose(s: Any, i: int, num: KernelNumbers) -> tuple[float, float]:
    """Return how far angle and cord of an early attachment stand off the others' pose; 0 unless surely."""
    angle, cord, n = other_pose(s, i)
    agree = 0
    for k in range(EARLY):
        if k != i and s.early_told[k] == 0:
            off = (s.early_angle[k] - angle, s.early_cord[k] - cord)
            agree += 1 if log_odds(off, pose_scatter(s, n)) < num.out_log_odds else 0
    off = (s.early_angle[i] - angle, s.early_cord[i] - cord)
    if agree < max(n, FEWEST_OTHERS) or log_odds(off, pose_scatter(s, n)) < SURE * num.out_log_odds:
        return 0.0, 0.0
    return off


@compiled
def early_verdict(s: Any, i: int, share: float, num: KernelNumbers) -> int:
    """Return what an early attachment was: 0 carried, or slack or drag."""
    if s.others_clear > 0.0:
        return SLACK if 0.0 <= share < RECOVERED else 0
    if 0.0 <= share < num.swing_share:
        return SLACK
    off = off_pose(s, i, num)
    return off_state(s, share, off, num) if off != (0.0, 0.0) else 0


@compiled
def look_back(s: Any, now: Now, num: KernelNumbers) -> None:
    """Judge the early attachments once, when the next one begins, and report those that were not carried."""
    if s.early != EARLY:
        return
    s.early = EARLY + 1
    s.own_swing_n = 0.0  # the stall's norm, not that of the milking before
    first = swing_share(s, first_swing(s, 0), first_swing(s, 1))
    for i in range(EARLY):
        share = first if i == 0 else 1.0  # the later ones had a norm while they lasted
        state = early_verdict(s, i, share, num) if s.early_told[i] == 0 else 0
        if state != 0:
            h = report(now, CLOSED, s.index)
            h.flag = state
            h.from_bin, h.to_bin, h.found_bin = s.early_from[i], s.early_to[i], now.bin
            h.value = share if state == SLACK and share >= 0.0 else UNKNOWN_SHARE
    s.first_power[:] = 0.0
