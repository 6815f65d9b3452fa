"""The limits printed beside a rate are the exact ones."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from dashboards.intervals import per_hundred, poisson_limits, share_limits


@pytest.mark.source("scipy.stats.chi2.ppf: Poisson limits are half chi-square quantiles, 2n and 2n+2 degrees")
@given(count=st.integers(0, 400), level=st.sampled_from([0.8, 0.95, 0.998]))
@settings(max_examples=60, deadline=None)
def test_limits_are_half_chi_square_quantiles(count: int, level: float) -> None:
    """The bisected limits equal the chi-square form of the same limits."""
    tail = (1 - level) / 2
    low, high = poisson_limits(count, level=level)
    expected_low = 0.0 if count == 0 else stats.chi2.ppf(tail, 2 * count) / 2
    assert low == pytest.approx(expected_low, rel=1e-6, abs=1e-9)
    assert high == pytest.approx(stats.chi2.ppf(1 - tail, 2 * count + 2) / 2, rel=1e-6)


def test_no_event_in_a_hundred_milkings_still_allows_a_rate() -> None:
    """Nothing seen is not nothing there: the upper limit of 0 in 100 is -ln(0.025)."""
    rate = per_hundred(0, 100)
    assert rate == pytest.approx((0.0, 0.0, 3.688879454), abs=1e-6)


def test_no_milking_gives_no_rate() -> None:
    """A rate without exposure is not a figure."""
    assert per_hundred(3, 0) is None


def test_a_negative_count_is_refused() -> None:
    """A count below zero is a fault of the caller."""
    with pytest.raises(ValueError, match="-1"):
        poisson_limits(-1)


@pytest.mark.source("scipy.stats.binomtest: score interval of a proportion (Wilson)")
@given(whole=st.integers(1, 500), part=st.integers(0, 500), level=st.sampled_from([0.8, 0.95, 0.998]))
@settings(max_examples=60, deadline=None)
def test_limits_of_a_share_are_the_score_ones(whole: int, part: int, level: float) -> None:
    """The closed form equals the library's."""
    part = min(part, whole)
    expected = stats.binomtest(part, whole).proportion_ci(level, method="wilson")
    limits = share_limits(part, whole, level=level)
    assert limits == pytest.approx((expected.low, expected.high), abs=1e-9)


def test_a_share_of_nothing_has_no_limits() -> None:
    """Nothing of nothing is no figure; more than all is a fault of the caller."""
    assert share_limits(0, 0) is None
    with pytest.raises(ValueError, match="5 of 4"):
        share_limits(5, 4)
