"""Is the unit carried? Detach arm and cord of one stall, one reading at a time.

Three pieces of evidence are held against each other, all relative, since sign, gain and zero of the
sensor belong to the stall and the height of the claw to the cow:

- swing: a taut cord passes the pulsation on to the arm. Lock-ins at every rate that a pulsator may have
  find it, and measure it against what this stall shows when it carries.
- step: angle or cord leave the level that this very milking had before.
- place: angle or cord lie outside of what the stall shows from cow to cow.

No swing, or cord paid out without its swing, is ``slack``; a departure of the angle under a taut
cord is ``drag``. Whether real arms show the swing was tried in simulation only.
"""

from __future__ import annotations

from typing import Any

from detect.machine import compiled
from detect.params import BIN_S, KernelNumbers
from detect.state import RING, Happening, Now, report
from detect.swing import (
    LONGEST_S,
    NEEDED_S,
    SHORTEST_S,
    SWING_S,
    clearness,
    find_beat,
    lock_in,
    swing_share,
)

MASK = RING - 1
CLOSED = int(Happening.SUPPORT_CLOSED)
FAST_MM, FAST_DEG = 80.0, 10.0  # motion within 0.6 s that only a moving arm makes
RESTING, PARK_GAIN = 200, 0.02  # an arm at rest for 10 s after a milking is parked
STEP_MM, STEP_DEG = 60.0, 6.0  # a cord and an angle that say as much as each other
REMOVAL = 160  # bins (8 s) after the vacuum went within which a motion is the removal
CALM = 60  # bins (3 s) after which a motion counts as a new one
RECOVERED = 0.6  # of what the other stalls show: somebody set the arm of a stall that was never carried
OWN_S, NORM_S = 20.0, 2000.0  # memory of the milking's own level and of the stall's norm [s]
PLACED_S = 900.0  # carried seconds, some four cows, before its norm of the level is
DEV_DEG, DEV_MM, DEV_S = 2.5, 30.0, 500.0  # scatter from cow to cow to begin with, and its weight
SWING_LAG = 0.7  # of its memory by which the lock-in is late
LOST_S = 1.5  # what is missing of the beat's share, summed over time, that is believed [s]
LEVEL_LAG = 20  # bins (1 s) by which the level is
AT_ONCE_S = 3.0  # never carried for longer than this: not since the attaching
SLACK, DRAG = 1, 2


@compiled
def forget_arm(s: Any) -> None:
    """Begin anew at an attaching; the stall's norm stays."""
    s.arm_n, s.own_n, s.stray_run, s.stray_state, s.fine_run = 0, 0.0, 0, 0, 0
    s.bank[:] = 0.0
    s.bank_power[:] = 0.0
    s.own_swing[:] = 0.0
    s.own_swing_n, s.lost_s = 0.0, 0.0
    s.swing_s = min(max(NEEDED_S / max(clearness(s, 0) + clearness(s, 1), 0.01), SHORTEST_S), LONGEST_S)


@compiled
def note_motion(s: Any, b: int, angle_deg: float, cord_mm: float) -> None:
    """Keep the last fast motion of the arm, and the vacuum under which it took the unit away."""
    i = s.trail_n
    if i >= 3 and (
        abs(cord_mm - s.trail_cord[(i - 3) & 7]) > FAST_MM
        or abs(angle_deg - s.trail_angle[(i - 3) & 7]) > FAST_DEG
    ):
        if b - s.arm_bin > CALM:
            s.moved_bin = b
            if s.attached == 1 or b - s.off_bin < REMOVAL:
                s.removal_kpa = s.raw[b & MASK]
        s.arm_bin = b
    s.trail_cord[i & 7], s.trail_angle[i & 7] = cord_mm, angle_deg
    s.trail_n = i + 1
    if s.attached == 0 and b - s.off_bin > RESTING and b - s.arm_bin > CALM:
        s.park_n += 1
        gain = max(PARK_GAIN, 1.0 / s.park_n)
        s.park_cord += gain * (cord_mm - s.park_cord)
        s.park_angle += gain * (angle_deg - s.park_angle)
    near = is_near_park(s, angle_deg, cord_mm)
    if near == 1 and s.near_park == 0:
        s.parked_bin = b
    s.near_park = near


@compiled
def is_near_park(s: Any, angle_deg: float, cord_mm: float) -> int:
    """Tell (1 or 0) whether the arm stands nearer to its parked pose than to the milking's; -1 unknown."""
    if s.park_n == 0 or (s.own_n == 0.0 and s.norm_n == 0.0):
        return -1
    cord = s.own_cord if s.own_n > 0.0 else s.norm_cord
    angle = s.own_angle if s.own_n > 0.0 else s.norm_angle
    apart = abs(cord - s.park_cord) / STEP_MM + abs(angle - s.park_angle) / STEP_DEG
    here = abs(cord_mm - s.park_cord) / STEP_MM + abs(angle_deg - s.park_angle) / STEP_DEG
    return 1 if here < 0.4 * apart else 0


@compiled
def learn_arm(s: Any, swing: tuple[float, float], scatter: tuple[float, float], dt_s: float) -> None:
    """Learn what this milking and this stall show while the unit is carried."""
    own = dt_s / min(OWN_S, s.own_n + dt_s)
    s.own_angle += own * (s.angle_mean - s.own_angle)
    s.own_cord += own * (s.cord_mean - s.own_cord)
    s.own_n += dt_s
    s.norm_n += dt_s
    gain = dt_s / min(NORM_S, s.norm_n)
    slow = dt_s / min(NORM_S, s.norm_n + DEV_S)
    if s.norm_n <= dt_s:
        s.norm_angle_dev, s.norm_cord_dev = DEV_DEG, DEV_MM
    s.norm_angle_dev += slow * (abs(s.angle_mean - s.norm_angle) - s.norm_angle_dev)
    s.norm_cord_dev += slow * (abs(s.cord_mean - s.norm_cord) - s.norm_cord_dev)
    s.norm_angle += gain * (s.angle_mean - s.norm_angle)
    s.norm_cord += gain * (s.cord_mean - s.norm_cord)
    for k in range(2):
        now = swing[0] if k == 0 else swing[1]
        noise = scatter[0] if k == 0 else scatter[1]
        s.swing_noise[k] += gain * (noise - s.swing_noise[k])
        s.own_swing[k] += dt_s / min(OWN_S, s.own_swing_n + dt_s) * (now - s.own_swing[k])
    s.own_swing_n += dt_s
    find_beat(s, dt_s)


@compiled
def sum_up(s: Any, share: float, b: int, num: KernelNumbers, dt_s: float) -> None:
    """Sum up what is missing of the beat: a weak one must stay away for longer than one that is gone."""
    if share < 0.0:
        s.lost_s = 0.0
        return
    if s.lost_s == 0.0:
        s.lost_bin = b
    s.lost_s = min(max(s.lost_s + (num.swing_share - share) * dt_s, 0.0), 2.0 * LOST_S)


@compiled
def evidence(s: Any, share: float, num: KernelNumbers) -> int:
    """Return what the arm shows now: carried, slack or drag."""
    if s.others_clear > 0.0:
        return SLACK if share < RECOVERED else 0
    lost = s.lost_s > LOST_S
    step_cord, step_angle = 0.0, 0.0
    if s.own_n >= 8.0:
        step_cord, step_angle = s.cord_mean - s.own_cord, s.angle_mean - s.own_angle
    place_cord, place_angle = 0.0, 0.0
    if s.norm_n >= PLACED_S:
        place_cord = (s.cord_mean - s.norm_cord) / (num.spread * s.norm_cord_dev + 0.25 * num.cord_mm)
        place_angle = (s.angle_mean - s.norm_angle) / (num.spread * s.norm_angle_dev + 0.5 * num.angle_deg)
    loose = step_cord > num.cord_mm or place_cord > 1.0
    if lost or (loose and share < 1.5 * num.swing_share):
        return SLACK
    if abs(step_angle) > num.angle_deg or abs(place_angle) > 1.0:
        return DRAG
    return 0


@compiled
def carried_share(s: Any, share: float) -> float:
    """Return the share of the weight that the arm carries: half when it drags or nobody knows."""
    if s.astray != SLACK or share < 0.0:
        return 0.5
    return min(share, 1.0)


@compiled
def close_support(s: Any, end: int, removal: int, now: Now) -> None:
    """End an unsupported stretch; one found only while the unit was being removed is dropped."""
    state, s.astray = s.astray, 0
    s.stray_run, s.fine_run = 0, 0
    if state == 0 or s.astray_found >= removal or end <= s.astray_bin:
        return
    s.astray_bins += end - s.astray_bin
    h = report(now, CLOSED, s.index)
    h.flag = state
    h.from_bin, h.to_bin, h.found_bin = s.astray_bin, end, s.astray_found
    h.value = s.astray_sum / max(s.astray_n, 1)


@compiled
def decide(s: Any, shown: int, now: Now, num: KernelNumbers) -> None:
    """Turn evidence that stands into a stretch, and end it when it is gone."""
    b = now.bin
    step = max(1, b - s.last_arm)
    if s.astray == 0:
        s.stray_run = s.stray_run + step if shown != 0 and shown == s.stray_state else 0
        s.stray_state = shown
        beatless = shown == SLACK and s.lost_s > LOST_S
        if beatless or s.stray_run >= num.hold_bins:
            lag = int(SWING_LAG * SWING_S / BIN_S) if beatless else LEVEL_LAG
            since = (s.lost_bin if beatless else b - s.stray_run) - lag
            s.astray, s.astray_found, s.fine_run = shown, b, 0
            s.astray_bin = s.on_bin if s.own_n < AT_ONCE_S else max(s.on_bin, since)
            s.astray_sum, s.astray_n = 0.0, 0
        return
    s.fine_run = s.fine_run + step if shown == 0 else 0
    if s.fine_run >= num.clear_bins:
        close_support(s, b - s.fine_run, b + 1, now)


@compiled
def watch_arm(s: Any, angle_deg: float, cord_mm: float, now: Now, num: KernelNumbers) -> None:
    """Take one reading of arm and cord."""
    b = now.bin
    note_motion(s, b, angle_deg, cord_mm)
    hanging = s.attached == 1 and s.settled == 1 and b - s.high_bin < 20 and s.missing == 0
    if hanging:
        dt_s = min(max((b - s.last_arm) * BIN_S, BIN_S), 0.4)
        angle_swing, cord_swing = lock_in(s, b, (angle_deg, cord_mm), dt_s)
        if s.arm_n * dt_s >= SWING_S + 0.5 * s.swing_s and b - s.arm_bin > CALM:
            share = swing_share(s, angle_swing, cord_swing)
            sum_up(s, share, b, num, dt_s)
            shown = evidence(s, share, num)
            decide(s, shown, now, num)
            if s.astray != 0:
                s.astray_sum += carried_share(s, share)
                s.astray_n += 1
            elif shown == 0:
                scatter = (abs(angle_deg - s.angle_mean), abs(cord_mm - s.cord_mean))
                learn_arm(s, (angle_swing, cord_swing), scatter, dt_s)
    s.last_arm = b
