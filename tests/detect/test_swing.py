"""The pulsator's beat in arm and cord, read from sines and noise of known size."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from detect.arm_state import RATES
from detect.params import BIN_S
from detect.swing import (
    ALIKE,
    CLIP,
    LEAST_CLEAR,
    LEVEL_KNOWN_S,
    MEAN_S,
    OWN_LEAST,
    OWN_MOST,
    OWN_SWING_S,
    SLOWEST_HZ,
    STEP_HZ,
    SWING_S,
    TRUSTED_S,
    clearness,
    clipped,
    find_beat,
    lock_in,
    noise_power,
    swing_share,
)
from tests.detect.by_hand import stall, turns

DT_S = 0.2
ONE_HZ = round((1.0 - SLOWEST_HZ) / STEP_HZ)
LEVEL = (24.0, 260.0)


def follow(s: Any, angles: Any, cords: Any) -> list[tuple[float, float]]:
    """Let a stall's arm show some readings, five a second; return the swings."""
    return [
        lock_in(s, turns(4 * k), (a, c), DT_S) for k, (a, c) in enumerate(zip(angles, cords, strict=True))
    ]


def beating(seconds: float, hz: float, sizes: tuple[float, float], noise: float = 0.0, seed: int = 1) -> Any:
    """Return angle and cord around their levels with beats of a size and noise of a tenth of the cord's."""
    rng, t = np.random.default_rng(seed), np.arange(round(seconds / DT_S)) * DT_S
    beat = np.sin(2.0 * np.pi * hz * t + 0.4)
    return [
        LEVEL[k] + sizes[k] * beat + rng.normal(0.0, noise * (0.1 if k == 0 else 1.0), t.size)
        for k in range(2)
    ]


def passed(hz: float) -> float:
    """Return what the level's own following leaves of a beat: the gain of a high-pass of 1.5 s."""
    keep, turn = math.exp(-DT_S / MEAN_S), np.exp(-2j * np.pi * hz * DT_S)
    return float(abs(keep * (1.0 - turn) / (1.0 - keep * turn)))


@pytest.mark.parametrize("hz", [0.8, 1.0, 1.24])
def test_the_size_of_a_beat_is_read_where_its_rate_is(hz: float) -> None:
    """A sine of 0.2 degrees and one of 3 mm come out as that, and as next to nothing at another rate."""
    s = stall(beat_at=round((hz - SLOWEST_HZ) / STEP_HZ), swing_s=5.0)
    angle, cord = follow(s, *beating(60.0, hz, (0.2, 3.0)))[-1]
    assert angle == pytest.approx(0.2 * passed(hz), rel=0.02)
    assert cord == pytest.approx(3.0 * passed(hz), rel=0.02)
    s["beat_at"] = (s["beat_at"] + 15) % RATES
    angle, cord = follow(s, *beating(60.0, hz, (0.2, 3.0)))[-1]
    assert (angle, cord) == (pytest.approx(0.0, abs=0.07), pytest.approx(0.0, abs=1.0))


def test_nothing_is_said_before_five_seconds() -> None:
    """A lock-in of 5 s needs as long; then the beat is there, as what is not filled is made good."""
    s = stall(beat_at=ONE_HZ, swing_s=5.0)
    swings = follow(s, *beating(8.0, 1.0, (0.2, 3.0)))
    assert swings[23] == (0.0, 0.0)
    assert swings[24][1] > 1.5
    assert swings[-1][1] == pytest.approx(3.0 * passed(1.0), rel=0.1)
    assert (SWING_S, s["arm_n"]) == (5.0, 40)


def test_noise_alone_shows_no_beat() -> None:
    """The power that noise would show is taken off: of 2 mm of noise less than a fifth is left."""
    s = stall(beat_at=ONE_HZ, swing_s=15.0, swing_noise=[0.16, 1.6])
    swings = np.array(follow(s, *beating(120.0, 1.0, (0.0, 0.0), noise=2.0)))
    assert swings[300:, 1].mean() < 0.4
    assert swings[300:, 0].mean() < 0.04
    loud = stall(beat_at=ONE_HZ, swing_s=15.0)
    assert np.array(follow(loud, *beating(120.0, 1.0, (0.0, 0.0), noise=2.0)))[300:, 1].mean() > 0.35


def test_the_level_has_a_memory_of_one_and_a_half_seconds() -> None:
    """It begins with the first reading, and after 1.5 s it has done 63 % of a step."""
    s = stall(swing_s=5.0)
    follow(s, [24.0], [260.0])
    assert (s["angle_mean"], s["cord_mean"]) == LEVEL
    n = round(MEAN_S / DT_S)
    follow(s, [34.0] * n, [160.0] * n)
    done = 1.0 - math.exp(-n * DT_S / MEAN_S)
    assert s["angle_mean"] == pytest.approx(24.0 + 10.0 * done)
    assert s["cord_mean"] == pytest.approx(260.0 - 100.0 * done)


def test_power_is_averaged_over_the_memory_the_stall_needs() -> None:
    """The beat ceases: a memory of 3 s is over it sooner than one of 15."""
    left = []
    for memory_s in (3.0, 15.0):
        s = stall(beat_at=ONE_HZ, swing_s=memory_s)
        follow(s, *beating(60.0, 1.0, (0.2, 3.0)))
        left.append(follow(s, *beating(12.0, 1.0, (0.0, 0.0)))[-1][1])
    assert left[0] < 0.8
    assert left[1] == pytest.approx(3.0 * math.exp(-0.5 * (12.0 - 2.5) / 15.0), rel=0.15)


def test_the_noise_of_a_sample_is_what_its_beat_does_not_explain() -> None:
    """A mean deviation of 0.8 is a variance of one, of which a sine of size one explains half."""
    s = stall(swing_noise=[0.8, 1.6], norm_swing=[1.0, 9.0])
    assert noise_power(s, 0) == pytest.approx(0.5)
    assert noise_power(s, 1) == pytest.approx(0.2 * 4.0)
    assert clearness(s, 0) == pytest.approx(1.0 / 0.5)
    assert clearness(s, 1) == pytest.approx(81.0 / 0.8)


def test_treading_counts_no_more_than_three_deviations() -> None:
    """Once the noise is known a sample far off its level is cut; before it is taken as it is."""
    s = stall(swing_noise=[0.8, 1.6], norm_n=LEVEL_KNOWN_S + 0.1)
    assert [clipped(s, 0, off) for off in (9.0, -9.0, 2.9, -2.9)] == [CLIP, -CLIP, 2.9, -2.9]
    assert clipped(s, 1, 9.0) == 2.0 * CLIP
    s["norm_n"] = LEVEL_KNOWN_S
    assert clipped(s, 0, 9.0) == 9.0


def found(powers: dict[int, tuple[float, float]], times: int = 400, **fields: Any) -> Any:
    """Return a stall after it looked for its beat among some powers by rate, over a floor."""
    known = {"norm_n": 1_000.0, "swing_noise": [0.08, 0.8]}
    s = stall(**(known | fields))
    s["bank_power"][0], s["bank_power"][1] = 1e-5, 1e-3
    for i, power in powers.items():
        s["bank_power"][:, i] = power
    for _ in range(times):
        find_beat(s, 2.0)
    return s


def test_the_beat_is_where_angle_and_cord_together_are_highest() -> None:
    """Of two rates the one that stands out further of the noise; its size is the root of its power."""
    s = found({10: (0.01, 0.2), 20: (0.001, 4.0)})
    assert s["beat_at"] == 20
    assert s["norm_swing"][1] == pytest.approx(2.0, rel=0.03)
    assert s["beat"][0, 10] == pytest.approx(0.01, rel=0.01)
    assert found({10: (0.04, 0.2), 20: (0.001, 0.4)})["beat_at"] == 10


def test_sway_that_rises_towards_an_edge_is_no_beat() -> None:
    """Only a peak counts, however high the edge."""
    slope = {i: (0.02 * (8 - i), 2.0 * (8 - i)) for i in range(8)}
    assert found(slope | {20: (0.001, 1.0)})["beat_at"] == 20
    rise = {31 - i: (0.02 * (8 - i), 2.0 * (8 - i)) for i in range(8)}
    assert found(rise | {12: (0.001, 1.0)})["beat_at"] == 12


def test_the_pulsators_of_a_parlor_are_set_alike() -> None:
    """Where the others' rate is known, a stall's own is looked for within two steps of it."""
    two = {10: (0.001, 1.0), 20: (0.001, 4.0)}
    assert found(two, others_at=10 + ALIKE)["beat_at"] == 10
    assert found(two, others_at=20 - ALIKE)["beat_at"] == 20
    assert found({7: (0.001, 4.0), 13: (0.001, 4.0), 11: (0.001, 0.5)}, others_at=10)["beat_at"] == 11
    assert found({2: (0.001, 4.0)}, others_at=1)["beat_at"] == 2


def test_the_norm_follows_what_is_taut_faster_than_what_is_slack() -> None:
    """A beat that comes is learned over 100 s, one that goes over 300 s."""
    up = found({15: (0.01, 1.0)}, times=0)
    find_beat(up, 1.0)
    assert up["beat"][1, 15] == pytest.approx(0.01)
    down = found({}, times=0)
    down["beat"][:, 15] = (0.5, 1.0)
    find_beat(down, 1.0)
    assert down["beat"][1, 15] == pytest.approx(1.0 - (1.0 - 1e-3) / 300.0)
    for norm_n, haste in ((50.0, 3.0), (TRUSTED_S, 1.0)):  # a young norm sinks sooner
        sinking = found({}, times=0, norm_n=norm_n)
        sinking["beat"][:, 15] = (0.5, 1.0)
        find_beat(sinking, 1.0)
        assert sinking["beat"][1, 15] == pytest.approx(1.0 - (1.0 - 1e-3) / (norm_n / haste + 1.0))
    young = found({15: (0.01, 1.0)}, times=0, norm_n=50.0)
    find_beat(young, 1.0)
    assert young["beat"][1, 15] == pytest.approx(0.02)


KNOWN = {"norm_n": TRUSTED_S, "norm_swing": [0.2, 3.0], "swing_noise": [0.08, 0.8]}


def test_the_share_is_the_swing_over_the_usual_one() -> None:
    """Half of both is a half; without a norm, or with one that stands out of no noise, nothing is known."""
    s = stall(**KNOWN)
    assert swing_share(s, 0.1, 1.5) == pytest.approx(0.5)
    assert swing_share(s, 0.2, 3.0) == pytest.approx(1.0)
    assert swing_share(stall(**(KNOWN | {"norm_n": TRUSTED_S - 0.1})), 0.1, 1.5) == -1.0
    least = math.sqrt(0.5 * LEAST_CLEAR)
    for factor, known in ((0.9, False), (1.1, True)):
        faint = stall(**(KNOWN | {"swing_noise": [0.8, 0.8], "norm_swing": [factor * least] * 2}))
        assert (swing_share(faint, 0.0, 0.0) == 0.0) is known


def test_the_clearer_of_angle_and_cord_says_more() -> None:
    """Each counts by its clearness."""
    s = stall(**(KNOWN | {"swing_noise": [0.8, 0.8]}))
    angle, cord = clearness(s, 0), clearness(s, 1)
    assert swing_share(s, 0.0, 3.0) == pytest.approx(cord / (angle + cord))
    assert swing_share(s, 0.2, 0.0) == pytest.approx(angle / (angle + cord))


@pytest.mark.parametrize(("own", "usual"), [(1.2, 1.2), (0.1, OWN_LEAST), (9.0, OWN_MOST)])
def test_a_cow_that_hangs_more_or_less_on_the_cord_is_no_finding(own: float, usual: float) -> None:
    """After 25 s the milking's own swing stands in for the stall's, within bounds."""
    s = stall(**KNOWN, own_swing=[0.2 * own, 3.0 * own], own_swing_n=OWN_SWING_S)
    assert swing_share(s, 0.2, 3.0) == pytest.approx(1.0 / usual)
    s["own_swing_n"] = OWN_SWING_S - 0.1
    assert swing_share(s, 0.2, 3.0) == pytest.approx(1.0)


def test_a_stall_that_was_never_carried_is_held_against_the_others() -> None:
    """The root of beat over noise, both together, over what the others show."""
    s = stall(**KNOWN, others_clear=4.0)
    power = 0.1**2 / noise_power(s, 0) + 1.0 / noise_power(s, 1)
    assert swing_share(s, 0.1, 1.0) == pytest.approx(math.sqrt(power) / 4.0)
    assert BIN_S < DT_S
