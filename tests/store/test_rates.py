"""Exact rates and ratios agree with R and with scipy to the printed digits."""

from __future__ import annotations

import math

import pytest
from scipy import stats

from store.evidence.rates import rate, rate_ratio, rate_ratio_mid_p


@pytest.mark.source("R 4.2, help of poisson.test: 11 in 800 against 6 + 8 + 7 in 3011")
def test_exact_ratio_of_the_r_example() -> None:
    """Value, limits and p value are those of R."""
    found = rate_ratio(11, 800, 21, 3011)
    assert found is not None
    assert (found.value, found.low, found.high) == pytest.approx(
        (1.971488095, 0.858426403, 4.277265943), abs=2e-9
    )
    assert found.p == pytest.approx(0.0796686330, abs=5e-11)


@pytest.mark.source("epiR 2.0.57 cohort.time and epitools, breast cancer 41/28010 against 15/19017")
def test_exact_and_mid_p_ratio_of_the_breast_cancer_example() -> None:
    """Both kinds of limits are those of the packages."""
    exact, mid_p = rate_ratio(41, 28010, 15, 19017), rate_ratio_mid_p(41, 28010, 15, 19017)
    assert exact is not None
    assert mid_p is not None
    assert (exact.value, exact.low, exact.high) == pytest.approx(
        (1.855758658, 1.005684063, 3.609300311), abs=1e-9
    )
    assert exact.p == pytest.approx(0.0408520, abs=5e-8)
    assert (mid_p.low, mid_p.high) == pytest.approx((1.041075, 3.449423), abs=5e-7)
    assert mid_p.p == pytest.approx(0.0347506, abs=5e-8)


@pytest.mark.source("R 4.2 poisson.test, 10 in 1000")
def test_exact_limits_of_one_rate() -> None:
    """Limits of a single rate are those of R."""
    found = rate(10, 1000)
    assert (found.low, found.high) == pytest.approx((0.00479539, 0.01839036), abs=5e-9)


@pytest.mark.source("scipy 1.17 binomtest, two-sided and Clopper-Pearson")
@pytest.mark.parametrize(
    ("a", "t1", "b", "t0"), [(3, 40, 9, 30), (400, 9000, 310, 9500), (1, 5, 30, 200), (7, 7, 7, 7)]
)
def test_ratios_are_a_binomial_in_disguise(a: int, t1: float, b: int, t0: float) -> None:
    """Limits and p value follow from the binomial test of the share of events."""
    test = stats.binomtest(a, a + b, t1 / (t1 + t0))
    low, high = (p / (1 - p) * t0 / t1 for p in test.proportion_ci(0.95, "exact"))
    found = rate_ratio(a, t1, b, t0)
    assert found is not None
    assert (found.low, found.high, found.p) == pytest.approx((low, high, test.pvalue), rel=1e-9)


def test_no_event_leaves_a_limit_open_and_nothing_is_no_ratio() -> None:
    """Zero cells get exact limits, never a silent half; without any event there is no ratio."""
    none, other = rate_ratio(0, 100, 8, 100), rate_ratio(8, 100, 0, 100)
    assert none is not None
    assert other is not None
    assert none.low == 0.0
    assert none.high < 0.7
    assert other.high == math.inf
    assert rate_ratio(0, 100, 0, 100) is None
    assert rate_ratio(1, 0, 1, 100) is None


def test_tiny_p_values_do_not_vanish() -> None:
    """A difference beyond doubt keeps a p value above zero."""
    found = rate_ratio(4000, 20_000, 2000, 20_000)
    assert found is not None
    assert found.p is not None
    assert 0.0 < found.p < 1e-100
