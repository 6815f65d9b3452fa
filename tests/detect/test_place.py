"""The usual pose of a stall's arm: learned from its milkings, its scatter from all stalls."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.stats import multivariate_normal

from detect.place import (
    AWAY_DEG,
    AWAY_MM,
    FEWEST_VISITS,
    PRIOR_DEG,
    PRIOR_MM,
    PRIOR_N,
    STEP_DEG,
    STEP_MM,
    VISIT_S,
    WANDER_DEG,
    WANDER_MM,
    is_longer,
    learn_place,
    log_odds,
    place_odds,
    pose_scatter,
    pose_visit,
    share_scatter,
    step_odds,
)
from detect.state import new_stalls
from tests.detect.by_hand import stall as by_hand

OUT = 2.5


def visit(stall: np.void, angle_deg: float, cord_mm: float, seconds: float = 200.0) -> None:
    """Let one milking of a stall be over."""
    stall["visit_s"], stall["visit_angle"], stall["visit_cord"] = seconds, angle_deg, cord_mm
    learn_place(stall, OUT)


def stalls_of(number: int) -> NDArray[np.void]:
    """Return stalls of which nothing is known, as the compiled code sees them."""
    return new_stalls(number).view(np.recarray)


@pytest.mark.source("scipy.stats.multivariate_normal")
@pytest.mark.parametrize("off", [(0.0, 0.0), (3.0, -20.0), (-1.0, 60.0), (8.0, 90.0)])
def test_odds_are_those_of_two_normal_distributions(off: tuple[float, float]) -> None:
    """Log odds are the difference of the log densities of the wide and of the narrow distribution."""
    narrow = np.array([[4.0, 25.0], [25.0, 700.0]])
    wide = narrow + np.diag([AWAY_DEG**2, AWAY_MM**2])
    expected = multivariate_normal.logpdf(off, cov=wide) - multivariate_normal.logpdf(off, cov=narrow)
    assert log_odds(off, (4.0, 25.0, 700.0)) == pytest.approx(expected, abs=1e-9)


def test_one_milking_is_no_measure() -> None:
    """With one milking behind it no pose stands off, with two that agree a far one does."""
    (stall,) = stalls_of(1)
    visit(stall, 20.0, 300.0)
    assert place_odds(stall, 60.0, 600.0) == 0.0
    visit(stall, 21.0, 310.0)
    assert place_odds(stall, 60.0, 600.0) > OUT
    assert place_odds(stall, 20.5, 305.0) < 0.0


def test_two_milkings_that_differ_are_no_measure() -> None:
    """Nobody knows which of the two was dragged; the third one tells."""
    (stall,) = stalls_of(1)
    visit(stall, 20.0, 300.0)
    visit(stall, 60.0, 300.0)
    assert place_odds(stall, 60.0, 300.0) == 0.0
    visit(stall, 21.0, 305.0)
    assert place_odds(stall, 60.0, 300.0) > OUT
    assert place_odds(stall, 20.0, 300.0) < 0.0


def test_a_short_visit_teaches_nothing() -> None:
    """A unit that was kicked off at once shows no pose."""
    (stall,) = stalls_of(1)
    for _ in range(3):
        visit(stall, 20.0, 300.0, seconds=10.0)
    assert stall["visits"] == 0


def test_an_arm_that_was_set_anew_becomes_the_measure() -> None:
    """After most of the milkings that are remembered stood elsewhere, that is the usual pose."""
    (stall,) = stalls_of(1)
    for _ in range(8):
        visit(stall, 20.0, 300.0)
    assert place_odds(stall, 40.0, 300.0) > OUT
    for _ in range(6):
        visit(stall, 40.0, 300.0)
    assert place_odds(stall, 40.0, 300.0) < 0.0


def test_the_scatter_is_that_of_the_herd() -> None:
    """Height moves angle and cord together; sensors turned over and set otherwise tell the same of it."""
    rng = np.random.default_rng(4)
    stalls = stalls_of(30)
    sign = rng.choice([-1.0, 1.0], 30)
    for stall, turned in zip(stalls, sign, strict=True):
        zero = rng.uniform(-20.0, 20.0)
        stall["park_n"], stall["park_angle"] = 100, zero + turned * 65.0
        for height in rng.normal(0.0, 1.0, 12):
            visit(stall, zero + turned * (15.0 - 2.0 * height), 400.0 + 30.0 * height + rng.normal(0.0, 5.0))
    share_scatter(stalls)
    aa, both, cc = stalls[0]["cow_scatter"]
    assert np.sqrt(aa) == pytest.approx(2.0, rel=0.15)
    assert np.sqrt(cc) == pytest.approx(30.4, rel=0.15)
    assert both / np.sqrt(aa * cc) == pytest.approx(-30.0 / 30.4, abs=0.05)


def test_the_pose_of_a_milking_is_its_mean_over_time() -> None:
    """Readings of a fifth of a second and of two fifths weigh as long as they last."""
    s = by_hand()
    for dt_s, angle, cord in ((0.2, 20.0, 300.0), (0.4, 26.0, 330.0), (0.2, 24.0, 340.0)):
        s["angle_mean"], s["cord_mean"] = angle, cord
        pose_visit(s, dt_s)
    assert s["visit_s"] == pytest.approx(0.8)
    assert (s["visit_angle"], s["visit_cord"]) == (pytest.approx(24.0), pytest.approx(325.0))


def test_a_milking_counts_from_twenty_seconds_of_beat_on() -> None:
    """Just under it teaches nothing; two that agree are a measure, and no pose is before."""
    (stall,) = stalls_of(1)
    visit(stall, 20.0, 300.0, seconds=VISIT_S - 0.1)
    assert stall["visits"] == 0
    visit(stall, 20.0, 300.0, seconds=VISIT_S)
    assert (stall["visits"], stall["place_n"]) == (1, 1)
    visit(stall, 20.0, 300.0)
    assert stall["place_n"] == FEWEST_VISITS == 2


def test_the_usual_pose_is_the_median_of_those_remembered() -> None:
    """Angle and cord each for itself; the oldest of eight is forgotten first."""
    (stall,) = stalls_of(1)
    for number in range(9):
        visit(stall, 20.0 + 0.1 * number, 300.0 - number)
    assert stall["place_angle"] == pytest.approx(np.median([20.0 + 0.1 * k for k in range(1, 9)]))
    assert stall["place_cord"] == pytest.approx(np.median([300.0 - k for k in range(1, 9)]))
    assert (stall["visits"], stall["place_n"]) == (9, 8)


def test_scatter_is_learned_of_milkings_that_agree() -> None:
    """By its own departure, a little less for each pose behind the median; an odd one teaches nothing."""
    (stall,) = stalls_of(1)
    stall["park_n"], stall["park_angle"] = 1, 85.0
    for _ in range(3):
        visit(stall, 20.0, 300.0)
    before = stall["place_scatter"].copy()
    assert before.tolist() == [0.0, 0.0, 0.0, 1.0]
    visit(stall, 21.0, 290.0)
    kept = 1.0 - 1.0 / 200.0
    assert stall["place_scatter"] == pytest.approx([0.75, -7.5, 75.0, kept + 1.0])
    visit(stall, 60.0, 600.0)
    assert stall["place_scatter"] == pytest.approx([0.75, -7.5, 75.0, kept + 1.0])


def test_an_angle_sensor_turned_over_folds_the_other_way() -> None:
    """Its sign is told by where the arm is parked; while that is not known the two go unjoined."""
    joined = {}
    for park_n, park_angle in ((0, 0.0), (1, 85.0), (1, -45.0)):
        (stall,) = stalls_of(1)
        stall["park_n"], stall["park_angle"] = park_n, park_angle
        for _ in range(3):
            visit(stall, 20.0, 300.0)
        visit(stall, 21.0, 290.0)
        stall["cow_scatter"] = (4.0, 6.0, 900.0)
        joined[park_angle] = stall["place_scatter"][1], pose_scatter(stall, stall["place_n"])[1]
    assert joined[0.0] == (0.0, 0.0)
    assert joined[85.0] == (pytest.approx(-7.5), pytest.approx(6.0 * 1.25))
    assert joined[-45.0] == (pytest.approx(7.5), pytest.approx(-6.0 * 1.25))


def test_a_parlor_that_has_seen_nothing_has_the_prior_s_scatter() -> None:
    """Worth three milkings; what the stalls have seen is added to it and given to all of them."""
    stalls = stalls_of(2)
    share_scatter(stalls)
    assert stalls["cow_scatter"].tolist() == [[PRIOR_DEG**2, 0.0, PRIOR_MM**2]] * 2
    stalls["place_scatter"][0], stalls["place_scatter"][1] = (10.0, 20.0, 3_000.0, 4.0), (2.0, 1.0, 0.0, 3.0)
    share_scatter(stalls)
    n = PRIOR_N + 7.0
    seen = [(PRIOR_N * PRIOR_DEG**2 + 12.0) / n, 21.0 / n, (PRIOR_N * PRIOR_MM**2 + 3_000.0) / n]
    assert stalls["cow_scatter"].tolist() == [pytest.approx(seen)] * 2


def test_a_pose_is_held_against_scatter_of_cows_and_of_the_median() -> None:
    """The median of n milkings is itself off by an n-th of it; a pose wanders; unseen is the prior."""
    s = by_hand(place_n=4, park_n=1, park_angle=85.0)
    assert pose_scatter(s, s["place_n"]) == pytest.approx(
        (1.25 * PRIOR_DEG**2 + WANDER_DEG**2, 0.0, 1.25 * PRIOR_MM**2 + WANDER_MM**2)
    )
    s["cow_scatter"], s["place_n"] = (4.0, 6.0, 900.0), 0
    assert pose_scatter(s, s["place_n"]) == pytest.approx((8.0 + WANDER_DEG**2, 12.0, 1_800.0 + WANDER_MM**2))


def test_a_pose_stands_off_by_its_cord_or_by_its_angle() -> None:
    """Each against its own scatter: longer by more than the angle is off, whichever way that is."""
    s = by_hand(place_n=4, cow_scatter=(4.0, 0.0, 900.0))
    aa, _, cc = pose_scatter(s, s["place_n"])
    for angle in (2.0, -2.0):
        even = 2.0 * np.sqrt(cc / aa)
        assert is_longer(s, angle, even + 0.1)
        assert not is_longer(s, angle, even - 0.1)
    assert not is_longer(s, 0.1, -90.0)


@pytest.mark.source("scipy.stats.multivariate_normal")
def test_a_step_is_held_against_this_milking_s_own_level() -> None:
    """Angle and cord apart, each with the scatter of a step."""
    s = by_hand(angle_mean=23.0, cord_mean=290.0, own_angle=20.0, own_cord=310.0)
    narrow = np.diag([STEP_DEG**2, STEP_MM**2])
    wide = narrow + np.diag([AWAY_DEG**2, AWAY_MM**2])
    off = (3.0, -20.0)
    expected = multivariate_normal.logpdf(off, cov=wide) - multivariate_normal.logpdf(off, cov=narrow)
    assert step_odds(s) == pytest.approx(expected)
