"""A unit off its teats, and what merely looks like it, from signals written down by hand."""

from __future__ import annotations

import numpy as np
import pytest

from detect.kinds import AirKind
from detect.results import SupportEvent
from tests.detect.scripted import QUIET_KPA, Parlor, Stall, at_s, told_without


def milking() -> tuple[Parlor, Stall]:
    """Return a parlor of one stall in which a cow is milked from 20 to 250 s."""
    parlor = Parlor.of(1, 300)
    return parlor, parlor.stalls[0].cow(5.0, "17").milk(20.0, 250.0)


def hang(stall: Stall, from_s: float, to_s: float, kpa: float) -> None:
    """Let the unit hang open at a vacuum; no milk comes, and the meter forgets what came within 2 s."""
    inside = (stall.t >= from_s) & (stall.t < to_s)
    stall.kpa[inside] = kpa
    seconds = np.arange(stall.seconds)
    lost = (seconds >= from_s) & (seconds < to_s)
    stall.flow[lost] *= np.exp(-(seconds[lost] - from_s) / 2.0)


def test_a_slip_that_ends_in_a_fall_is_told_as_both() -> None:
    """One cup slides for 0.8 s, then all lose their hold: the second event begins where the first ends.

    Up to there a slip that goes on let in as much.
    """
    parlor, stall = milking()
    stall.open(120.0, 0.9, 15.0).drop(120.8)
    slip, fall = parlor.told().air
    longer, other = milking()
    other.open(120.0, 0.7, 15.0)
    assert slip.air_l == pytest.approx(longer.told().air[0].air_l, rel=0.25)
    assert (slip.kind, fall.kind) == (AirKind.LINER_SLIP, AirKind.FALL_OFF)
    assert at_s(slip.start_ns) == pytest.approx(120.0, abs=0.15)
    assert at_s(fall.start_ns) == pytest.approx(120.8, abs=0.15)
    assert slip.depth_kpa == pytest.approx(15.0, abs=3.0)


def test_a_fall_lasts_until_the_line_is_shut() -> None:
    """The unit lies open at 7 kPa for 12 s; the fall and the milking end when that is gone."""
    parlor, stall = milking()
    hang(stall, 120.0, 132.0, 7.0)
    stall.kpa[stall.t >= 132.0] = 0.0
    stall.flow[132:] = 0.0
    told = parlor.told()
    (fall,), (row,) = told.air, told.milkings
    assert fall.kind is AirKind.FALL_OFF
    assert at_s(fall.end_ns) == pytest.approx(132.0, abs=0.3)
    assert at_s(row.end_ns) == pytest.approx(132.0, abs=0.3)
    assert row.unit_on_s == pytest.approx(100.0, abs=1.5)  # a unit on the floor is not on


@pytest.mark.parametrize("kpa", [6.0, 25.0])
def test_a_unit_that_hangs_open_is_not_on_until_it_is_put_on_again(kpa: float) -> None:
    """Also at a vacuum that would do for a milking: without milk and under the usual one it is off."""
    parlor, stall = milking()
    hang(stall, 120.0, 140.0, kpa)
    told = parlor.told()
    (fall,), (row,) = told.air, told.milkings
    assert fall.kind is AirKind.FALL_OFF
    assert at_s(fall.start_ns) == pytest.approx(120.0, abs=0.15)
    assert at_s(fall.end_ns) == pytest.approx(140.0, abs=1.0)
    assert (row.fall_offs, row.reattaches) == (1, 1)


def test_an_arm_that_pulls_at_half_vacuum_after_the_valve_shut_is_a_take_off() -> None:
    """The vacuum eases off for 0.7 s; that the rest goes at once when the cups come off is no event."""
    parlor, stall = milking()
    eased = np.interp(stall.t, [250.0, 250.7, 250.75], [QUIET_KPA, 22.0, 0.0])
    stall.kpa = np.where(stall.t >= 250.0, eased, stall.kpa)
    told = parlor.told()
    assert told.air == []
    assert len(told.milkings) == 1


@pytest.mark.parametrize("before_s", [4.0, 1.5, 1.0])
def test_a_slip_shortly_before_a_take_off_does_not_last_into_it(before_s: float) -> None:
    """What the valve takes is no air of the slip; with the valve shut 12 s later it lets in as much."""
    parlor, stall = milking()
    stall.open(250.0 - before_s, 0.6, 12.0)
    longer, other = milking()
    other.milk(20.0, 262.0)
    other.flow = stall.flow.copy()
    other.open(250.0 - before_s, 0.6, 12.0)
    (slip,), (alone,) = parlor.told().air, longer.told().air
    assert at_s(slip.end_ns) == pytest.approx(250.65 - before_s, abs=0.25)
    assert (slip.pulses, slip.depth_kpa) == (1, pytest.approx(alone.depth_kpa, abs=1.5))
    assert slip.air_l == pytest.approx(alone.air_l, rel=0.15)


def test_a_take_off_of_which_a_frame_was_lost_is_no_event() -> None:
    """The vacuum eases off within 0.55 s; of that only the last 4 kPa arrive."""
    parlor, stall = milking()
    eased = np.interp(stall.t, [250.0, 250.55], [QUIET_KPA, 0.0])
    stall.kpa = np.where(stall.t >= 250.0, eased, stall.kpa)
    told = told_without(parlor, 1, 250.0, 250.5)
    assert told.air == []
    assert len(told.milkings) == 1


def test_milk_that_comes_in_at_once_is_no_air() -> None:
    """A late let-down takes 14 kPa in 2.5 s and keeps them, while the flow grows from 0.7 to 4 kg/min."""
    parlor = Parlor.of(1, 300)
    stall = parlor.stalls[0].cow(5.0, "17").milk(20.0, 250.0)
    stall.flow *= np.interp(np.arange(stall.seconds), [82.0, 86.0], [0.25, 1.3])
    on = stall.kpa > 0.5 * QUIET_KPA
    stall.kpa -= on * np.interp(stall.t, [80.0, 80.3, 82.5], [0.0, 6.0, 14.0])
    assert parlor.told().air == []


def test_a_milking_begins_with_its_first_cup() -> None:
    """One cup holds 12 kPa for 8 s before the others follow."""
    parlor, stall = milking()
    stall.kpa = np.where((stall.t >= 11.0) & (stall.t < 21.0), np.maximum(stall.kpa, 12.0), stall.kpa)
    (row,) = parlor.told().milkings
    assert at_s(row.start_ns) == pytest.approx(11.0, abs=0.2)


@pytest.mark.parametrize(("left_kpa", "begins_s"), [(1.5, 9.0), (0.0, 20.0)])
def test_cups_that_hang_open_hide_the_first_one_but_a_shut_line_ends_it(
    left_kpa: float, begins_s: float
) -> None:
    """After 1.5 s of 12 kPa the vacuum is nearly gone until 20 s.

    The sensor, 0.8 kPa off, shows a line that is open, or one that was shut again.
    """
    parlor, stall = milking()
    stall.kpa[(stall.t >= 9.0) & (stall.t < 10.5)] = 12.0
    stall.kpa[(stall.t >= 10.5) & (stall.t < 20.0)] = left_kpa
    stall.kpa += 0.8
    (row,) = parlor.told().milkings
    assert at_s(row.start_ns) == pytest.approx(begins_s, abs=0.2)


def test_a_fall_that_was_told_long_ago_holds_nothing_up() -> None:
    """The unit hangs open for 130 s, then its line is shut; the next milking begins with its first cup.

    Nobody tells which cow stands there.
    """
    parlor = Parlor.of(1, 560)
    stall = parlor.stalls[0].milk(20.0, 230.0).milk(370.0, 540.0)
    hang(stall, 100.0, 230.0, 25.0)
    stall.kpa[(stall.t >= 230.0) & (stall.t < 360.0)] = 0.0
    stall.kpa = np.where((stall.t >= 361.0) & (stall.t < 371.0), np.maximum(stall.kpa, 12.0), stall.kpa)
    told = parlor.told()
    (fall,) = told.air
    first, second = told.milkings
    assert fall.kind is AirKind.FALL_OFF
    assert (first.fall_offs, second.fall_offs) == (1, 0)
    assert at_s(second.start_ns) == pytest.approx(361.0, abs=0.2)


def beating(*, lost_from_s: float) -> list[SupportEvent]:
    """Return the unsupported stretches of two milkings; the arm's beat is lost in the second one."""
    parlor = Parlor.of(1, 640)
    stall = parlor.stalls[0].cow(5.0, "17").milk(20.0, 300.0).cow(320.0, "18").milk(340.0, 620.0)
    at = np.arange(stall.seconds * 5) / 5.0
    taut = ((at > 28.0) & (at < 300.0)) | ((at > 348.0) & (at < min(lost_from_s, 620.0)))
    rng = np.random.default_rng(11)
    stall.arm[:, 0] += 0.12 * taut * np.sin(2.0 * np.pi * at) + rng.normal(0.0, 0.12, at.size)
    stall.arm[:, 1] += 1.0 * taut * np.sin(2.0 * np.pi * at) + rng.normal(0.0, 1.0, at.size)
    return [result for result in parlor.told().results if isinstance(result, SupportEvent)]


def test_a_beat_as_strong_as_its_noise_is_missed_within_20_s() -> None:
    """Angle and cord beat as much as they scatter; when they cease the unit is not carried."""
    (lost,) = beating(lost_from_s=480.0)
    assert lost.state == "slack"
    assert at_s(lost.detected_ns) == pytest.approx(490.0, abs=10.0)
    assert at_s(lost.start_ns) == pytest.approx(480.0, abs=6.0)
    assert lost.support_share < 0.4


def test_a_beat_that_goes_on_is_no_finding() -> None:
    """The same arm, carried to the end, is never told."""
    assert beating(lost_from_s=1e9) == []
