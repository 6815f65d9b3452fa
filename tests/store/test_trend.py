"""Trends and adjusted p values agree with R and with scipy."""

from __future__ import annotations

import pytest
from scipy import stats

from store.evidence.trend import adjusted_p, stepped_p, trend_chi2


@pytest.mark.source("R 4.2, help of prop.trend.test: smokers")
def test_trend_of_the_smokers() -> None:
    """The statistic and p value of R."""
    found = trend_chi2([83, 90, 129, 70], [86, 93, 136, 82], [1, 2, 3, 4])
    assert found == pytest.approx((8.22492, 0.0041319), abs=5e-6)


def test_no_cases_have_no_trend() -> None:
    """Without any spread of outcome or score there is no trend to test."""
    assert trend_chi2([0, 0], [5, 5], [1, 2]) is None
    assert trend_chi2([2, 3], [5, 5], [1, 1]) is None


@pytest.mark.source(
    "scipy 1.17 false_discovery_control; the list of Benjamini and Hochberg 1995, from memory"
)
def test_adjusted_p_values() -> None:
    """The adjusted values are those of scipy, and four of fifteen stay below 5 %."""
    p = [
        0.0201,
        0.0001,
        0.0004,
        0.0019,
        0.0095,
        0.0278,
        0.0298,
        0.0344,
        0.0459,
        0.324,
        0.4262,
        0.5719,
        0.6528,
        0.759,
        1,
    ]
    found = adjusted_p(p)
    assert found == pytest.approx(stats.false_discovery_control(p), rel=1e-12)
    assert (found < 0.05).sum() == 4


def test_stepped_p_values_by_hand() -> None:
    """The smallest of three is tripled, the next doubled, and none falls below one before it."""
    assert stepped_p([0.03, 0.01, 0.04]) == pytest.approx([0.06, 0.03, 0.06])
