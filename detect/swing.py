"""The beat of the pulsator in arm and cord: whether a taut cord passes it on.

Lock-ins of 5 s at every rate that a pulsator may have follow angle and cord. Coherence over longer is not
to be had, since no pulsator keeps its rate that well; so their power is averaged on, for as long as the
beat of this stall needs to stand out of its noise, and the power that noise alone would show is taken off.
What a stall usually shows is kept by rate, and held against what it shows now.
"""

from __future__ import annotations

import math
from typing import Any

from detect.arm_state import RATES
from detect.machine import compiled
from detect.params import BIN_S

MEAN_S = 1.5  # memory of the level [s]
SWING_S = 5.0  # memory of the lock-in [s]: over longer the rate is not known well enough
SHORTEST_S, LONGEST_S, NEEDED_S = 3.0, 15.0, 8.0  # memory of its power; the last for beat = noise
ALIKE = 2  # steps of rate within which the pulsators of a parlor are set
LEVEL_KNOWN_S = 10.0  # carried seconds after which the noise of a sample is known
TWO_PI = 2.0 * math.pi
SLOWEST_HZ, STEP_HZ = 0.7, 0.02  # 42-77 pulsations a minute; 60 is usual (common practice, no source)
CLIP = 3.0  # deviations of a sample: treading counts no more
LEAST_CLEAR = 0.1  # beat over noise, squared, both together: what is weaker tells nothing
OWN_SWING_S, OWN_LEAST, OWN_MOST = 25.0, 0.6, 1.6  # a cow hangs more or less on the cord than others
UP_S, DOWN_S = 100.0, 300.0  # the norm of the swing follows what is taut, not what is slack [s]
HASTE = 3.0  # a young norm sinks so much faster than it rises: people and cows shake the arm at first
FORGOTTEN_S, DOUBT = 3000.0, 5.0  # a norm without its beat is forgotten, at most in so many times its age
RECOVERED = 0.2  # of what the other stalls show: a stall with less was never carried, or is no longer
TRUSTED_S = 100.0  # carried seconds before the stall's norm of the swing is believed


@compiled
def noise_power(s: Any, k: int) -> float:
    """Return the variance of a sample of the angle (0) or the cord (1) that is not its beat."""
    whole = (1.25 * s.swing_noise[k]) ** 2
    return float(max(whole - 0.5 * s.norm_swing[k] ** 2, 0.2 * whole))


@compiled
def clearness(s: Any, k: int) -> float:
    """Return the square of the usual beat over the noise of one sample, of the angle (0) or the cord (1)."""
    return float(s.norm_swing[k] ** 2 / max(noise_power(s, k), 1e-9))


@compiled
def lock_in(s: Any, turns: Any, pose: tuple[float, float], dt_s: float) -> tuple[float, float]:
    """Follow level and swing; return the swing of angle [deg] and cord [mm]."""
    angle_deg, cord_mm = pose
    if s.arm_n == 0:
        s.angle_mean, s.cord_mean = angle_deg, cord_mm
    share = 1.0 - math.exp(-dt_s / MEAN_S)
    s.angle_mean += share * (angle_deg - s.angle_mean)
    s.cord_mean += share * (cord_mm - s.cord_mean)
    turn_bank(s, turns, (clipped(s, 0, angle_deg - s.angle_mean), clipped(s, 1, cord_mm - s.cord_mean)), dt_s)
    s.arm_n += 1
    if s.arm_n * dt_s < SWING_S:
        return 0.0, 0.0
    return swing_size(s, 0, dt_s), swing_size(s, 1, dt_s)


@compiled
def clipped(s: Any, k: int, off: float) -> float:
    """Return a sample less its level, no larger than noise and beat make it: treading is neither."""
    if s.norm_n <= LEVEL_KNOWN_S:
        return off
    most = CLIP * 1.25 * s.swing_noise[k]
    return float(min(max(off, -most), most))


@compiled
def turn_rates(turns: Any, b: int) -> None:
    """Write cosine and sine of every rate's phase at a bin, shape (2, RATES): the same for all stalls."""
    first, step = TWO_PI * (SLOWEST_HZ * b * BIN_S % 1.0), TWO_PI * (STEP_HZ * b * BIN_S % 1.0)
    c, d, turn_c, turn_d = math.cos(first), math.sin(first), math.cos(step), math.sin(step)
    for i in range(RATES):
        turns[0, i], turns[1, i] = c, d
        c, d = c * turn_c - d * turn_d, d * turn_c + c * turn_d


@compiled
def turn_bank(s: Any, turns: Any, off: tuple[float, float], dt_s: float) -> None:
    """Lock in to angle and cord at every rate that a pulsator may have."""
    gain = 1.0 - math.exp(-dt_s / SWING_S)
    angle, cord = off
    for i in range(turns.shape[1]):  # a number known beforehand would be written out, one rate at a time
        c, d = turns[0, i], turns[1, i]
        s.bank[0, i] += gain * (angle * c - s.bank[0, i])
        s.bank[1, i] += gain * (angle * d - s.bank[1, i])
        s.bank[2, i] += gain * (cord * c - s.bank[2, i])
        s.bank[3, i] += gain * (cord * d - s.bank[3, i])


@compiled
def swing_size(s: Any, k: int, dt_s: float) -> float:
    """Return the beat of angle (0) or cord (1): mean power of its lock-in, less that of the noise."""
    lasted_s = s.arm_n * dt_s
    fill = 1.0 - math.exp(-lasted_s / SWING_S)
    share = max(1.0 - math.exp(-dt_s / s.swing_s), dt_s / (lasted_s - SWING_S + 2.0 * dt_s))
    for i in range(RATES):
        power = 4.0 * (s.bank[2 * k, i] ** 2 + s.bank[2 * k + 1, i] ** 2) / (fill * fill)
        s.bank_power[k, i] += share * (power - s.bank_power[k, i])
    return math.sqrt(max(s.bank_power[k, s.beat_at] - noise_power(s, k) * 2.0 * dt_s / SWING_S, 0.0))


@compiled
def find_beat(s: Any, dt_s: float) -> None:
    """Find the rate of the stall's pulsator in what its arm showed while it carried."""
    haste = HASTE if s.norm_n < TRUSTED_S else 1.0
    up, down = dt_s / min(UP_S, s.norm_n), dt_s / min(DOWN_S, s.norm_n / haste + dt_s)
    for k in range(2):
        for i in range(RATES):
            off = s.bank_power[k, i] - s.beat[k, i]
            s.beat[k, i] += (up if off > 0.0 else down) * off
    pick_beat(s, dt_s)


@compiled
def forget_beat(s: Any, dt_s: float) -> None:
    """Let the stall's norm sink while its beat is missing: slowly, and the faster the less it rests on."""
    down = dt_s / min(FORGOTTEN_S, DOUBT * s.norm_n)
    for k in range(2):
        for i in range(RATES):
            s.beat[k, i] += down * min(s.bank_power[k, i] - s.beat[k, i], 0.0)
    pick_beat(s, dt_s)


@compiled
def pick_beat(s: Any, dt_s: float) -> None:
    """Take the rate at which the norm is highest for that of the stall's pulsator.

    A stall that was never carried has no norm to tell its rate: what it shows now tells, as soon as it is.
    """
    powers = s.bank_power if s.others_clear > 0.0 else s.beat
    best, first, last = 0.0, 1, RATES - 1
    if s.others_at > 0:
        first, last = max(s.others_at - ALIKE, 1), min(s.others_at + ALIKE + 1, RATES - 1)
    weights = (1.0 / max(noise_power(s, 0), 1e-9), 1.0 / max(noise_power(s, 1), 1e-9))
    before, here = beat_clear(powers, first - 1, weights), beat_clear(powers, first, weights)
    for i in range(first, last):  # slow sway rises towards the edge: only a peak is a beat
        after = beat_clear(powers, i + 1, weights)
        if here > best and here >= before and here >= after:
            best, s.beat_at = here, i
        before, here = here, after
    for k in range(2):
        s.norm_swing[k] = math.sqrt(max(s.beat[k, s.beat_at] - noise_power(s, k) * 2.0 * dt_s / SWING_S, 0.0))


@compiled
def beat_clear(powers: Any, i: int, weights: tuple[float, float]) -> float:
    """Return the power at one rate over the noise, angle and cord together; weights are 1 over its power."""
    return float(powers[0, i] * weights[0] + powers[1, i] * weights[1])


@compiled
def swing_share(s: Any, angle_swing: float, cord_swing: float) -> float:
    """Return the swing over the usual one, angle and cord by their clearness; -1 when nothing is known."""
    if s.norm_n < TRUSTED_S:
        return -1.0
    if s.others_clear > 0.0:
        clear = angle_swing**2 / max(noise_power(s, 0), 1e-9) + cord_swing**2 / max(noise_power(s, 1), 1e-9)
        return float(math.sqrt(clear) / s.others_clear)
    total, weights = 0.0, 0.0
    for k in range(2):
        usual = s.norm_swing[k]
        if s.own_swing_n >= OWN_SWING_S:
            usual *= min(max(s.own_swing[k] / max(usual, 1e-9), OWN_LEAST), OWN_MOST)
        weight = clearness(s, k)
        total += weight * (angle_swing if k == 0 else cord_swing) / max(usual, 1e-9)
        weights += weight
    return float(total / weights) if weights > LEAST_CLEAR else -1.0
