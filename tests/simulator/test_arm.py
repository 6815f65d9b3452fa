"""The detach arm and its sensor."""

from __future__ import annotations

import numpy as np
import pytest

from simulator.arm import Arm, ArmBank, Pose, SupportState, carried, fallen, parked, uncarried

RATE_HZ = 5


def _record(poses: list[Pose], seconds: int, *, unrest: float = 1.0) -> tuple[np.ndarray, np.ndarray]:
    """Return angle and pay-out of stalls whose arms take these poses, pulsating once a second."""
    arm = Arm(gain_spread=0.0, zero_spread_deg=0.0, turned_share=0.0)
    bank = ArmBank(arm, len(poses), np.random.default_rng(1))
    angles, cords = [], []
    for second in range(seconds):
        times = second + np.arange(RATE_HZ) / RATE_HZ
        angle, cord = bank.sample(poses, np.tile(times, (len(poses), 1)), times, np.full(len(poses), unrest))
        angles.append(angle)
        cords.append(cord)
    return np.concatenate(angles, axis=1), np.concatenate(cords, axis=1)


def _beat_deg(angle: np.ndarray) -> float:
    """Return the amplitude at the pulsation frequency of the last 30 s of one stall."""
    tail = angle[-30 * RATE_HZ :]
    times = np.arange(tail.size) / RATE_HZ
    return float(2.0 * abs(np.mean((tail - tail.mean()) * np.exp(-2j * np.pi * times))))


def test_a_taut_cord_passes_the_beat_of_the_pulsator_on_and_a_slack_one_does_not():
    """The arm of a carried unit swings at the pulsation frequency, that of a slack one hardly."""
    arm = Arm()
    taut = carried(arm, 0.0, 0.0)
    slack = uncarried(taut, SupportState.SLACK, np.random.default_rng(1))
    angle, _ = _record([taut, slack], 40)
    assert _beat_deg(angle[0]) == pytest.approx(arm.beat_deg, rel=0.25)
    assert _beat_deg(angle[1]) < 0.4 * _beat_deg(angle[0])


def test_a_slack_cord_is_paid_out_further():
    """Slack shows as 25 to 110 mm more cord."""
    taut = carried(Arm(), 0.0, 0.0)
    rng = np.random.default_rng(2)
    extra = [uncarried(taut, SupportState.SLACK, rng).cord_mm - taut.cord_mm for _ in range(200)]
    assert 25.0 <= min(extra) <= max(extra) <= 110.0


def test_a_dragged_unit_pulls_the_arm_out_of_its_place():
    """A caught hose moves the arm by 4 to 9 degrees to either side, its cord taut."""
    taut = carried(Arm(), 0.0, 0.0)
    rng = np.random.default_rng(3)
    poses = [uncarried(taut, SupportState.DRAG, rng) for _ in range(200)]
    away = [abs(pose.angle_deg - taut.angle_deg) for pose in poses]
    assert 4.0 <= min(away) <= max(away) <= 9.0
    assert len({pose.angle_deg > taut.angle_deg for pose in poses}) == 2
    assert all(pose.tension > 0.5 for pose in poses)


def test_a_pose_is_taken_only_when_its_time_has_come():
    """An arm sent up at 2 s stands where it stood until then."""
    arm = Arm()
    bank = ArmBank(
        Arm(noise_deg=0.0, gain_spread=0.0, zero_spread_deg=0.0, turned_share=0.0),
        1,
        np.random.default_rng(1),
    )
    times = np.arange(20) / RATE_HZ
    angle, cord = bank.sample([carried(arm, 2.0, 0.0)], np.zeros((1, 20)), times, np.ones(1))
    assert angle[0, :10] == pytest.approx(np.full(10, arm.parked_deg), abs=0.5)
    assert angle[0, -1] < arm.parked_deg - 20.0
    assert cord[0, -1] > cord[0, 0]


def test_a_higher_claw_lifts_the_arm():
    """The angle follows the height of the claw, which differs from cow to cow."""
    arm = Arm()
    low, high = carried(arm, 0.0, -30.0), carried(arm, 0.0, 30.0)
    assert high.angle_deg - low.angle_deg == pytest.approx(60.0 * arm.deg_per_mm)


def test_a_fallen_unit_pulls_the_arm_down():
    """The arm sinks when the unit drops off."""
    arm = Arm()
    base = carried(arm, 0.0, 0.0)
    assert fallen(arm, base).angle_deg < base.angle_deg - 3.0


def test_stalls_differ_in_sign_gain_and_zero():
    """The same pose reads differently from stall to stall, with turned sign at some."""
    bank = ArmBank(Arm(), 60, np.random.default_rng(4))
    times = np.arange(5) / RATE_HZ
    angle, _ = bank.sample([parked(Arm(), 0.0)] * 60, np.zeros((60, 5)), times, np.ones(60))
    means = angle.mean(axis=1)
    assert 0.1 < np.mean(means < 0.0) < 0.5
    assert np.std(np.abs(means)) > 3.0


def test_a_restless_cow_shakes_the_arm():
    """Restlessness widens the scatter of the angle."""
    pose = carried(Arm(), 0.0, 0.0)
    calm, wild = (_record([pose], 60, unrest=u)[0][0, 50:].std() for u in (1.0, 4.0))
    assert wild > 2.0 * calm
