"""Is the unit carried? What arm and cord show, each function alone on states written by hand."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from detect.carry import (
    CALM,
    FAST_DEG,
    FAST_MM,
    LOST_S,
    REMOVAL,
    RESTING,
    STEP_DEG,
    STEP_MM,
    forget_arm,
    is_near_park,
    learn_arm,
    note_motion,
    sum_up,
)
from detect.swing import LONGEST_S, NEEDED_S, SHORTEST_S, clearness
from tests.detect.by_hand import NUM, stall, write_raw

AT = 10_110
WORK, PARK = (24.0, 260.0), (60.0, 30.0)


def moved(angle: float, cord: float, **fields: Any) -> Any:
    """Return a stall whose arm stood at work and then moved by so much within 0.6 s."""
    s = stall(**({"arm_bin": -1, "moved_bin": -1, "attached": 1, "norm_n": 0.0} | fields))
    write_raw(s, AT - 40, [40.0] * 41)
    for k in range(8):
        note_motion(s, AT - 32 + 4 * k, *WORK)
    note_motion(s, AT, WORK[0] + angle, WORK[1] + cord)
    return s


def test_only_a_moving_arm_moves_so_fast() -> None:
    """80 mm or 10 degrees within 0.6 s either way are a motion; a little less is treading."""
    for angle, cord in (
        (0.0, FAST_MM + 0.1),
        (0.0, -FAST_MM - 0.1),
        (FAST_DEG + 0.1, 0.0),
        (-FAST_DEG - 0.1, 0.0),
    ):
        s = moved(angle, cord)
        assert (s["moved_bin"], s["arm_bin"], s["removal_kpa"]) == (AT, AT, 40.0)
    s = moved(FAST_DEG - 0.1, FAST_MM - 0.1)
    assert (s["moved_bin"], s["arm_bin"]) == (-1, -1)


def test_a_motion_that_goes_on_began_once() -> None:
    """Within 3 s of the last fast reading it is the same motion; later it is a new one."""
    assert moved(0.0, 100.0, arm_bin=AT - CALM, moved_bin=7)["moved_bin"] == 7
    assert moved(0.0, 100.0, arm_bin=AT - CALM - 1, moved_bin=7)["moved_bin"] == AT


def test_the_vacuum_at_the_removal_is_that_of_the_motion() -> None:
    """Of an attached unit, or within 8 s of the vacuum's going; an empty stall's arm says nothing."""
    assert moved(0.0, 100.0, attached=0, off_bin=AT - REMOVAL + 1)["removal_kpa"] == 40.0
    assert np.isnan(moved(0.0, 100.0, attached=0, off_bin=AT - REMOVAL)["removal_kpa"])


def test_three_readings_are_needed_for_a_motion() -> None:
    """The first readings of an arm are no motion."""
    s = stall(arm_bin=-1, moved_bin=-1)
    for k, cord in enumerate((260.0, 30.0, 260.0)):
        note_motion(s, AT + 4 * k, 24.0, cord)
    assert s["moved_bin"] == -1
    note_motion(s, AT + 12, 24.0, 30.0)
    assert s["moved_bin"] == AT + 12


def parked(readings: int, **fields: Any) -> Any:
    """Return an empty stall whose arm rests."""
    s = stall(**({"off_bin": AT - RESTING - 1, "arm_bin": AT - CALM - 1, "place_n": 2} | fields))
    s["place_cord"], s["place_angle"] = WORK[1], WORK[0]
    for k in range(readings):
        note_motion(s, AT + 4 * k, *PARK)
    return s


def test_an_arm_at_rest_for_ten_seconds_is_parked() -> None:
    """Its pose is the mean of the first readings and then follows; just after a motion it does not."""
    s = parked(10)
    assert (s["park_n"], s["park_cord"], s["park_angle"]) == (10, pytest.approx(30.0), pytest.approx(60.0))
    assert (s["near_park"], s["parked_bin"]) == (1, AT)
    for fields in ({"attached": 1}, {"off_bin": AT - RESTING}, {"arm_bin": AT - CALM}):
        assert parked(1, **fields)["park_n"] == 0
    old = parked(1, park_n=500, park_cord=130.0, park_angle=10.0)
    assert (old["park_cord"], old["park_angle"]) == (pytest.approx(128.0), pytest.approx(11.0))


def test_where_the_arm_is_nearer_needs_both_poses() -> None:
    """Parked and at work must be known; the milking's own pose goes before the stall's."""
    place = {"park_n": 9, "park_cord": PARK[1], "park_angle": PARK[0]}
    assert is_near_park(stall(own_n=9.0, place_n=2), *PARK) == -1
    assert is_near_park(stall(**place), *PARK) == -1
    usual = {"place_n": 2, "place_cord": WORK[1], "place_angle": WORK[0]}
    assert is_near_park(stall(**place, **usual), *PARK) == 1
    assert is_near_park(stall(**place, **usual), *WORK) == 0
    own = {"own_n": 9.0, "own_cord": PARK[1] + STEP_MM, "own_angle": PARK[0]}
    for share, near in ((0.39, 1), (0.41, 0), (-0.39, 1), (-0.41, 0)):
        s = stall(**place, **usual, **own)
        assert is_near_park(s, PARK[0], PARK[1] + share * STEP_MM) == near
        assert is_near_park(s, PARK[0] + share * STEP_DEG, PARK[1]) == near
    own = {"own_n": 9.0, "own_cord": PARK[1], "own_angle": PARK[0] - STEP_DEG}
    assert is_near_park(stall(**place, **own), PARK[0] - 0.41 * STEP_DEG, PARK[1]) == 0
    assert is_near_park(stall(**place, **own), PARK[0] - 0.39 * STEP_DEG, PARK[1]) == 1


def test_arriving_at_the_parked_pose_is_dated_once() -> None:
    """From elsewhere, not from unknown, and not while it stays."""
    s = parked(3, near_park=-1, parked_bin=-1)
    assert (s["near_park"], s["parked_bin"]) == (1, -1)
    note_motion(s, AT + 36, *WORK)
    note_motion(s, AT + 40, *WORK)
    assert (s["near_park"], s["parked_bin"]) == (0, -1)
    note_motion(s, AT + 44, *PARK)
    note_motion(s, AT + 48, *PARK)
    assert (s["near_park"], s["parked_bin"]) == (1, AT + 44)


@pytest.mark.parametrize("clear", [0.001, 1.0, 2.0, 100.0])
def test_an_attaching_forgets_the_milking_s_own(clear: float) -> None:
    """The stall's norm stays, and sets how long a beat is averaged: the longer, the less clear it is."""
    s = stall(
        arm_n=9, own_n=9.0, stray_run=9, stray_state=1, fine_run=9, own_swing_n=9.0, lost_s=9.0, norm_n=77.0
    )
    s["bank"], s["bank_power"], s["own_swing"] = 1.0, 1.0, 1.0
    s["swing_noise"], s["norm_swing"] = 0.8, np.sqrt([0.2 * clear, 0.8 * clear])
    forget_arm(s)
    both = clearness(s, 0) + clearness(s, 1)
    assert s["swing_s"] == pytest.approx(min(max(NEEDED_S / max(both, 0.01), SHORTEST_S), LONGEST_S))
    for name in ("arm_n", "own_n", "stray_run", "stray_state", "fine_run", "own_swing_n", "lost_s"):
        assert s[name] == 0
    assert not any(s[name].any() for name in ("bank", "bank_power", "own_swing"))
    assert s["norm_n"] == 77.0


def learned(seconds: float, dt_s: float = 0.2, **fields: Any) -> Any:
    """Return a stall that was carried for a while in one pose with one swing and scatter."""
    s = stall(**fields, angle_mean=WORK[0], cord_mean=WORK[1])
    for _ in range(round(seconds / dt_s)):
        learn_arm(s, (0.2, 3.0), (0.1, 1.5), dt_s)
    return s


def test_what_a_milking_and_a_stall_show_is_learned_with_their_memories() -> None:
    """All begin with the first reading; the milking's own forgets over 20 s, the stall's over 2000."""
    s = learned(30.0)
    assert (s["own_angle"], s["own_cord"], s["own_n"]) == (WORK[0], WORK[1], pytest.approx(30.0))
    assert s["norm_n"] == pytest.approx(30.0)
    assert (s["own_swing"].tolist(), s["own_swing_n"]) == ([0.2, 3.0], pytest.approx(30.0))
    assert s["swing_noise"].tolist() == pytest.approx([0.1, 1.5])
    s["angle_mean"], s["cord_mean"] = WORK[0] + 10.0, WORK[1] - 100.0
    learn_arm(s, (1.2, 13.0), (1.1, 11.5), 0.2)
    assert (s["own_angle"], s["own_cord"]) == (pytest.approx(WORK[0] + 0.1), pytest.approx(WORK[1] - 1.0))
    gain = 0.2 / 30.2
    assert s["own_swing"].tolist() == pytest.approx([0.21, 3.1])
    assert s["swing_noise"].tolist() == pytest.approx([0.1 + gain, 1.5 + 10.0 * gain])
    old = learned(0.2, norm_n=1e5)
    old["swing_noise"] = 0.0, 0.0
    learn_arm(old, (0.2, 3.0), (0.1, 1.5), 0.2)
    assert old["swing_noise"].tolist() == pytest.approx([0.1 * 0.2 / 2000.0, 1.5 * 0.2 / 2000.0])


def test_noise_learned_from_a_shaken_arm_is_forgotten_soon() -> None:
    """The norm of a young stall sinks three times as fast as it rises."""
    s = learned(30.0)
    s["swing_noise"] = 10.0, 15.0
    learn_arm(s, (0.2, 3.0), (0.1, 1.5), 0.2)
    gain = 0.2 / (30.2 / 3.0 + 0.2)
    assert s["swing_noise"].tolist() == pytest.approx([10.0 - 9.9 * gain, 15.0 - 13.5 * gain], rel=1e-3)


def test_where_some_of_the_beat_is_missing_the_pose_teaches_nothing() -> None:
    """It may be that of a slack cord; the swing is learned all the same, since a cow's may be weak."""
    s = learned(10.0, lost_s=0.3)
    assert (s["own_n"], s["own_angle"]) == (0.0, 0.0)
    assert s["own_swing"].tolist() == [0.2, 3.0]


def test_what_is_missing_of_the_beat_is_summed_over_time() -> None:
    """Nothing for 1 s is 0.48 s lost, dated to its first reading; a beat takes it back, -1 forgets it."""
    s = stall()
    for k in range(5):
        sum_up(s, 0.0, AT + 4 * k, NUM, 0.2)
    assert (s["lost_s"], s["lost_bin"]) == (pytest.approx(NUM.swing_share), AT)
    sum_up(s, NUM.swing_share + 0.5, AT + 20, NUM, 0.2)
    assert s["lost_s"] == pytest.approx(NUM.swing_share - 0.1)
    for _ in range(300):
        sum_up(s, 0.0, AT + 99, NUM, 0.2)
    assert (s["lost_s"], s["lost_bin"]) == (2.0 * LOST_S, AT)
    sum_up(s, 99.0, AT + 100, NUM, 1.0)
    assert s["lost_s"] == 0.0
    s["lost_s"] = 1.0
    sum_up(s, -1.0, AT + 104, NUM, 0.2)
    assert s["lost_s"] == 0.0
    sum_up(s, 0.0, AT + 108, NUM, 0.2)
    assert s["lost_bin"] == AT + 108
