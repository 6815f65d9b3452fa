"""Is the unit carried? Detach arm and cord of one stall, one reading at a time.

Three pieces of evidence are held against each other, all relative, since sign, gain and zero of the
sensor belong to the stall and the height of the claw to the cow:

- swing: a taut cord passes the pulsation on to the arm. Lock-ins at every rate that a pulsator may have
  find it, and measure it against what this stall shows when it carries.
- step: angle or cord leave the level that this very milking had before.
- place: angle and cord lie outside of what the stall shows from cow to cow (:mod:`detect.place`).

No swing, or out of place with little of it, is ``slack``; out of place under a taut cord is ``drag``. A
step back to the usual place, or to a full swing, shows that the unit was not carried before. Whether
real arms show the swing was tried in simulation only.
"""

from __future__ import annotations

from typing import Any

from detect.arm_state import BACK, DRAG, SLACK, UNKNOWN_SHARE
from detect.hindsight import keep_early
from detect.machine import compiled
from detect.params import BIN_S, KernelNumbers
from detect.place import LOOSE, is_longer, off_state, place_odds, pose_visit, step_odds
from detect.state import RING, Happening, Now, report
from detect.swing import (
    HASTE,
    LONGEST_S,
    NEEDED_S,
    RECOVERED,
    SHORTEST_S,
    SWING_S,
    clearness,
    find_beat,
    forget_beat,
    lock_in,
    pick_beat,
    swing_share,
)

MASK = RING - 1
CLOSED = int(Happening.SUPPORT_CLOSED)
FAST_MM, FAST_DEG = 80.0, 10.0  # motion within 0.6 s that only a moving arm makes
RESTING, PARK_GAIN = 200, 0.02  # an arm at rest for 10 s after a milking is parked
STEP_MM, STEP_DEG = 60.0, 6.0  # a cord and an angle that say as much as each other
REMOVAL = 160  # bins (8 s) after the vacuum went within which a motion is the removal
CALM = 60  # bins (3 s) after which a motion counts as a new one
KEPT = 1.5  # times that, once it was found
FAINTER = 0.35  # of what the other stalls show: as long as such a beat needs is listened
OWN_S, NORM_S = 20.0, 2000.0  # memory of the milking's own level and of the stall's norm [s]
OWN_KNOWN_S = 8.0  # carried seconds before the milking's own level is believed
ON_S = 60  # bins (3 s) after the attaching in which people still hold the unit
POSED = 8  # arm readings after which the level is that of this milking
SWING_LAG = 0.7  # of its memory by which the lock-in is late
LOST_S = 0.85  # what is missing of the beat's share, summed over time, that is believed [s]
LOST_ODD, LOST_USUAL = 0.5, 1.4  # of that in an odd and in a usual pose
LEVEL_LAG = 20  # bins (1 s) by which the level is
AT_ONCE_S, ATTACHING = 8.0, 400  # hardly carried in so many bins (20 s): not since the attaching
RARER, STAYS = 1.0, 1.5  # log odds: a dragged unit against a slack one; of what was found already
BACK_SHARE = 2.0  # of the beat before: a cord that was slack until now
MANY = 20  # arm readings (4 s) whose beat tells slack from drag better than the pose
FAINT_SHARE, FAINT_BINS = 0.4, 3000  # of the beat, over 150 s: a cow that hardly swings at first hung taut


@compiled
def forget_arm(s: Any) -> None:
    """Begin anew at an attaching; the stall's norm stays."""
    s.arm_n, s.own_n, s.stray_run, s.stray_state, s.fine_run, s.fine_bin = 0, 0.0, 0, 0, 0, 0
    s.bank[:] = 0.0
    s.bank_power[:] = 0.0
    s.own_swing[:] = 0.0
    s.own_swing_n, s.lost_s, s.visit_s = 0.0, 0.0, 0.0
    clear = max(clearness(s, 0) + clearness(s, 1), (FAINTER * s.others_clear) ** 2)
    s.swing_s = min(max(NEEDED_S / max(clear, 0.01), SHORTEST_S), LONGEST_S)


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
    if s.park_n == 0 or (s.own_n == 0.0 and s.place_n == 0.0):
        return -1
    cord = s.own_cord if s.own_n > 0.0 else s.place_cord
    angle = s.own_angle if s.own_n > 0.0 else s.place_angle
    apart = abs(cord - s.park_cord) / STEP_MM + abs(angle - s.park_angle) / STEP_DEG
    here = abs(cord_mm - s.park_cord) / STEP_MM + abs(angle_deg - s.park_angle) / STEP_DEG
    return 1 if here < 0.4 * apart else 0


@compiled
def learn_arm(s: Any, swing: tuple[float, float], scatter: tuple[float, float], dt_s: float) -> None:
    """Learn what this milking and this stall show while the unit is carried."""
    if s.lost_s == 0.0:  # where some of the beat is missing the pose may be that of a slack cord
        own = dt_s / min(OWN_S, s.own_n + dt_s)
        s.own_angle += own * (s.angle_mean - s.own_angle)
        s.own_cord += own * (s.cord_mean - s.own_cord)
        s.own_n += dt_s
    s.norm_n += dt_s
    # Noise sinks faster than it rises, so that treading does not pass for it.
    gain, sink = dt_s / min(NORM_S, s.norm_n), dt_s / min(NORM_S, s.norm_n / HASTE + dt_s)
    for k in range(2):
        now = swing[0] if k == 0 else swing[1]
        noise = scatter[0] if k == 0 else scatter[1]
        off = noise - s.swing_noise[k]
        s.swing_noise[k] += (gain if off > 0.0 else sink) * off
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
def is_lost(s: Any, place: float, num: KernelNumbers) -> bool:
    """Tell whether the beat is gone; a pose that is usual here asks for more of that, an odd one for less."""
    return bool(s.lost_s > LOST_S * min(max(1.0 - place / num.out_log_odds, LOST_ODD), LOST_USUAL))


@compiled
def evidence(s: Any, share: float, num: KernelNumbers) -> int:
    """Return what the arm shows now: carried, slack or drag, or back from one of these."""
    if s.others_clear > 0.0:
        return SLACK if 0.0 <= share < (KEPT if s.astray != 0 else 1.0) * RECOVERED else 0
    place = place_odds(s, s.angle_mean, s.cord_mean)
    step = step_odds(s) if s.own_n >= OWN_KNOWN_S else 0.0
    if is_lost(s, place, num):
        return SLACK
    beats = share < 0.0 or share >= LOOSE * num.swing_share
    out = num.out_log_odds + (RARER if beats else 0.0) - (STAYS if s.astray != 0 else 0.0)
    if max(place, step) < out:
        return 0
    if step > place and (
        share > BACK_SHARE or place_odds(s, s.own_angle, s.own_cord) > place + num.out_log_odds
    ):
        return BACK
    angle, cord = (s.own_angle, s.own_cord) if step > place else (s.place_angle, s.place_cord)
    return off_state(s, share, (s.angle_mean - angle, s.cord_mean - cord), num)


@compiled
def forget_support(s: Any) -> None:
    """Take the unit for carried from now on."""
    s.astray, s.stray_run, s.fine_run = 0, 0, 0


@compiled
def was_faint(s: Any, end: int) -> bool:
    """Tell a slack stretch that began with the attaching, passed, and showed much of a beat all along.

    The first readings make the beat out badly; the mean of all of them is the better witness.
    """
    at_once = s.astray == SLACK and s.astray_bin == s.on_bin and end - s.astray_bin < FAINT_BINS
    return bool(at_once and s.astray_sum > FAINT_SHARE * s.astray_n)


@compiled
def close_support(s: Any, end: int, removal: int, now: Now) -> None:
    """End an unsupported stretch; one that was faint, or found only in the removing, is dropped."""
    state, faint = s.astray, was_faint(s, end)
    forget_support(s)
    if state == 0 or faint or s.astray_found >= removal or end <= s.astray_bin:
        return
    s.astray_bins += end - s.astray_bin
    h = report(now, CLOSED, s.index)
    h.flag = state
    h.from_bin, h.to_bin, h.found_bin = s.astray_bin, end, s.astray_found
    known = state == SLACK and s.astray_n > 0
    h.value = min(s.astray_sum / s.astray_n, 1.0) if known else UNKNOWN_SHARE


@compiled
def weigh_support(s: Any, share: float, num: KernelNumbers) -> None:
    """Add one reading of the beat to an unsupported stretch; many of them tell its state best."""
    if share < 0.0:
        return
    s.astray_sum += share
    s.astray_n += 1
    if s.astray_n >= MANY:
        s.astray = SLACK if s.astray_sum < LOOSE * num.swing_share * s.astray_n else DRAG


@compiled
def stands(s: Any, shown: int, step: int, num: KernelNumbers) -> bool:
    """Tell whether evidence has stood for long enough to be said."""
    s.stray_run = s.stray_run + step if shown != 0 and shown == s.stray_state else 0
    s.stray_state = shown
    return bool(s.stray_run >= num.hold_bins)


@compiled
def begin_support(s: Any, state: int, since: int, now: Now) -> None:
    """Begin an unsupported stretch: with the attaching when the unit was hardly carried before."""
    s.astray, s.astray_found, s.fine_run = state, now.bin, 0
    at_once = s.own_n < AT_ONCE_S and since - s.on_bin < ATTACHING
    s.astray_bin = max(s.on_bin if at_once else since, s.on_bin, s.fine_bin)
    s.astray_sum, s.astray_n = 0.0, 0


@compiled
def decide(s: Any, shown: int, share: float, now: Now, num: KernelNumbers) -> None:
    """Turn evidence that stands into a stretch, and end it when it is gone."""
    b = now.bin
    step = max(1, b - s.last_arm)
    if s.astray != 0:
        s.fine_run = s.fine_run + step if shown in (0, BACK) else 0
        if s.fine_run >= num.clear_bins:
            s.fine_bin = b - s.fine_run
            close_support(s, s.fine_bin, b + 1, now)
        return
    stood, lag = stands(s, shown, step, num), int(SWING_LAG * SWING_S / BIN_S)
    if shown == SLACK and s.others_clear == 0.0 and is_lost(s, place_odds(s, s.angle_mean, s.cord_mean), num):
        begin_support(s, SLACK, s.lost_bin - lag, now)
    elif stood and shown == BACK:  # what this milking showed until now was the departure
        until = b - s.stray_run - LEVEL_LAG
        loose = share > BACK_SHARE or is_longer(s, s.own_angle - s.angle_mean, s.own_cord - s.cord_mean)
        begin_support(s, SLACK if loose else DRAG, s.on_bin, now)
        s.astray_bin, s.own_n = max(s.on_bin, s.fine_bin), 0.0
        close_support(s, until, b + 1, now)
        s.fine_bin = max(s.fine_bin, until)
    elif stood:
        late = lag if s.others_clear > 0.0 else LEVEL_LAG
        begin_support(s, shown, b - s.stray_run - late, now)


@compiled
def watch_arm(s: Any, angle_deg: float, cord_mm: float, now: Now, num: KernelNumbers) -> None:
    """Take one reading of arm and cord."""
    b = now.bin
    note_motion(s, b, angle_deg, cord_mm)
    hanging = s.attached == 1 and b - s.up_bin > ON_S and b - s.high_bin < 20 and s.missing == 0
    if hanging and (s.arm_n > 0 or b - s.arm_bin > CALM):
        dt_s = min(max((b - s.last_arm) * BIN_S, BIN_S), 0.4)
        if s.others_clear > 0.0:  # its norm tells no rate: what it shows now does
            pick_beat(s, dt_s)
        swing = lock_in(s, now.turns, (angle_deg, cord_mm), dt_s)
        if s.arm_n >= POSED and b - s.arm_bin > CALM:
            beaten = s.arm_n * dt_s >= SWING_S + 0.5 * s.swing_s
            share = swing_share(s, swing[0], swing[1]) if beaten else -1.0
            sum_up(s, share, b, num, dt_s)
            if beaten:
                keep_early(s, dt_s)
            shown = evidence(s, share, num)
            decide(s, shown, share, now, num)
            if s.lost_s == 0.0:
                pose_visit(s, dt_s)
            if s.astray != 0:
                weigh_support(s, share, num)
                forget_beat(s, dt_s)
            elif beaten and shown == 0:
                scatter = (abs(angle_deg - s.angle_mean), abs(cord_mm - s.cord_mean))
                learn_arm(s, swing, scatter, dt_s)
    s.last_arm = b
