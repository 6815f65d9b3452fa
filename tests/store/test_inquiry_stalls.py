"""Stalls, changes and windows on invented counts: the bad ones are found, the others left in peace."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import pytest

from store.evidence.interval import Array
from store.inquiry.changes import slip_changes
from store.inquiry.classify import classify
from store.inquiry.daily import Period, StallDays, completeness
from store.inquiry.spike import Spike
from store.inquiry.units import judge, judge_stalls
from store.inquiry.windows import asked, found

FIRST = date(2026, 1, 1)


def herd(mean: Array, seed: int = 1) -> StallDays:
    slips = np.random.default_rng(seed).poisson(mean).astype(float)
    full = np.full(slips.shape, 24.0)
    names = tuple(range(1, slips.shape[0] + 1))
    return StallDays("willowmere", FIRST, names, full, full, slips, full, full * 400)


def mean(*, bad: float = 1.0, cured: float = 1.0) -> Array:
    table = np.full((40, 150), 2.0)
    table[[6, 22], 50:] *= bad
    table[1::2, 100:] *= cured
    return table


def test_two_bad_stalls_are_dated_together() -> None:
    """The rise is dated in both stalls at once, the remedy of half the stalls as a fall of the parlor."""
    changes = slip_changes(herd(mean(bad=3.0, cured=0.6)))
    rise, fall = changes[0], changes[-1]
    assert rise.stalls == (7, 23)
    assert abs((rise.day - FIRST).days - 50) <= 2
    assert rise.earliest <= rise.day <= rise.latest
    assert not fall.rises
    assert abs((fall.day - FIRST).days - 100) <= 5


def test_steady_stalls_show_no_change_and_no_outlier() -> None:
    """In ten steady seasons nothing is told, not even of stalls that always differ a little."""
    own = np.random.default_rng(9).gamma(60, 1 / 60, (40, 1))
    for seed in range(10):
        steady = herd(mean() * own, seed)
        assert slip_changes(steady) == []
        assert judge_stalls(steady, steady.whole, {}).outliers == ()


def test_a_remedy_does_not_make_untouched_stalls_look_bad() -> None:
    """Where half of the stalls were halved, the others are held against each other, not against these."""
    cured = herd(mean(cured=0.4))
    late = Period(FIRST + timedelta(days=100), cured.whole.end)
    noted = {stall: FIRST + timedelta(days=100) for stall in range(2, 41, 2)}
    assert judge_stalls(cured, late, noted).outliers == ()
    assert judge_stalls(cured, late, noted).tau2 < judge_stalls(cured, late, {}).tau2


def test_a_stall_with_little_expected_is_not_judged() -> None:
    """A handful of milkings gives no verdict, and no slips at all no ratio."""
    tiny = herd(np.full((12, 2), 1.0))
    assert {unit.outlier for unit in judge_stalls(tiny, tiny.whole, {}).units} == {None}
    none = judge(["1", "2"], np.zeros((2, 9)), np.ones((2, 9)))
    assert [unit.ratio for unit in none.units] == [None, None]


def test_windows_follow_the_dates_given_or_the_rise_found() -> None:
    """Given dates stand; else the period begins with the rise and ends with the next change."""
    risen = herd(mean(bad=4.0, cured=0.5))
    changes = slip_changes(risen)
    windows = found(risen, changes, None)
    assert windows.period.start == changes[0].day
    assert windows.period.end <= changes[-1].day
    assert windows.baseline.end == windows.period.start
    start, end = FIRST + timedelta(days=30), FIRST + timedelta(days=60)
    assert asked(risen, start, end).period == Period(start, end)
    assert asked(risen, None, end).period.end == end
    before = FIRST - timedelta(days=9)
    assert asked(risen, None, before).period == Period(before, before)


def test_without_a_rise_of_slips_the_cell_count_sets_the_period() -> None:
    """A spike alone begins the period; with neither, the later half is taken and says so."""
    steady = herd(mean())
    day = FIRST + timedelta(days=90)
    assert found(steady, [], Spike(day, "bulk tank", "shift", 1.5)).period.start == day
    assert "no rise" in found(steady, [], None).reason


def test_completeness_counts_days_and_milkings() -> None:
    """Days without milkings and milkings seen in part lower it; under 60 % of days nothing is carried."""
    whole = herd(mean())
    gap = whole.milkings.copy()
    gap[:, 60:125] = 0.0
    holes = StallDays("p", FIRST, whole.stalls, whole.seen, gap, whole.slips, whole.seen, whole.seen)
    seen = completeness(holes, holes.whole)
    assert (seen.days, seen.days_with_data) == (150, 85)
    assert seen.complete_share == pytest.approx(85 / 150)
    assert not seen.carries
    assert completeness(whole, whole.whole).carries


def test_two_kinds_of_cows_are_told_apart() -> None:
    """Where three in ten slip five times as often, hardly any is taken for the other kind."""
    rng = np.random.default_rng(2)
    kind = rng.random(2000) < 0.3
    slips = rng.poisson(np.where(kind, 15.0, 3.0)).astype(float)
    exposure = classify(slips, np.full(2000, 58.0))
    assert exposure is not None
    assert "two kinds" in exposure.definition
    told = np.isfinite(exposure.exposed)
    assert told.mean() > 0.85
    assert (exposure.exposed[told] == kind[told]).mean() > 0.97


def test_one_kind_of_cows_is_held_in_thirds() -> None:
    """Smoothly spread rates give the highest third against the lowest, the middle left out."""
    rng = np.random.default_rng(3)
    slips = rng.poisson(rng.gamma(2.0, 4.0, 3000)).astype(float)
    exposure = classify(slips, np.full(3000, 58.0))
    assert exposure is not None
    assert "third" in exposure.definition
    assert 0.2 < np.isnan(exposure.exposed).mean() < 0.45
    assert classify(np.zeros(500), np.full(500, 58.0)) is None
