"""Changes of a rate: dated as in print, and none found where there is none."""

from __future__ import annotations

import numpy as np
import pytest

from store.evidence.change import ratio_at, single_change
from store.evidence.dispersion import dispersion, widened
from store.evidence.interval import Estimate
from store.evidence.scan import find_changes, scan_p
from tests.store.published import COAL_YEARS

COAL = np.bincount(np.array(COAL_YEARS) - 1851, minlength=112).astype(float)


@pytest.mark.source("coal-mining disasters, R package boot; the posterior computed twice, in R and Python")
def test_change_of_the_coal_disasters() -> None:
    """The last year of the old rate is 1891 (1886 to 1896), the log Bayes factor 28.942."""
    found = single_change(COAL, np.ones(112))
    assert found is not None
    last_year = 1850
    assert (found.at + last_year, found.low + last_year, found.high + last_year) == (1891, 1886, 1896)
    assert found.posterior[found.at - 2 : found.at + 1] == pytest.approx([0.1432, 0.1848, 0.2450], abs=5e-5)
    assert found.log_bayes_factor == pytest.approx(28.942, abs=5e-4)
    assert (found.before, found.after) == pytest.approx((3.0975610, 0.9014085), abs=5e-8)


def test_nothing_has_no_change() -> None:
    """A series without events or with one time only has no change."""
    assert single_change([0, 0, 0], [1, 1, 1]) is None
    assert single_change([3], [1]) is None


@pytest.mark.parametrize("alpha", [0.05, 0.2])
def test_steady_series_are_rarely_called_changed(alpha: float) -> None:
    """Of 400 steady series no more than the promised share shows a change (five standard errors allowed)."""
    rng = np.random.default_rng(1)
    found = sum(
        bool(find_changes(rng.poisson(70, 150).astype(float), np.full(150, 900.0), phi=1.0, alpha=alpha))
        for _ in range(400)
    )
    assert found / 400 <= alpha + 5 * np.sqrt(alpha * (1 - alpha) / 400)


def test_the_bound_of_the_largest_of_all_places_is_about_right() -> None:
    """The tail of the largest likelihood ratio of steady normal noise is within a third of the formula."""
    rng = np.random.default_rng(2)
    n, trim = 400, 0.1
    k = np.arange(40, 361)
    sums = np.cumsum(rng.standard_normal((4000, n)), axis=1)
    bridge = sums[:, k - 1] - sums[:, -1:] * k / n
    largest = (bridge**2 / (k * (1 - k / n))).max(1)
    for bound in (8.0, 10.0):
        assert scan_p(bound, trim) == pytest.approx((largest > bound).mean(), rel=0.33)


def test_two_changes_are_found_where_they_are() -> None:
    """A rise at day 50 and a fall at day 110 are dated within three days; a drift is no change."""
    rng = np.random.default_rng(3)
    days = np.arange(160)
    exposure = np.full(160, 900.0)
    mean = np.where(days < 50, 70.0, np.where(days < 110, 100.0, 60.0))
    found = find_changes(rng.poisson(mean).astype(float), exposure, phi=1.0, alpha=0.01)
    assert [each.at for each in found] == pytest.approx([50, 110], abs=3)
    drift = rng.poisson(70.0 * np.exp(days / 400.0)).astype(float)
    assert find_changes(drift, exposure, phi=1.0, alpha=0.01) == []


def test_a_gap_is_no_change() -> None:
    """Days without milkings are left out, not counted as days without slips."""
    rng = np.random.default_rng(4)
    exposure = np.where((np.arange(150) > 60) & (np.arange(150) < 90), 0.0, 900.0)
    counts = rng.poisson(exposure * 0.08).astype(float)
    assert find_changes(counts, exposure, phi=1.0, alpha=0.01) == []


def test_the_ratio_at_a_change_is_exact() -> None:
    """Counts after over counts before, at equal exposure."""
    found = ratio_at(np.array([5.0, 5.0, 20.0, 20.0]), np.ones(4), 2)
    assert found is not None
    assert found.value == pytest.approx(4.0)


def test_noise_beyond_counting_is_seen_and_a_step_is_not() -> None:
    """Dispersion of Poisson counts is near 1, with a step too; bursts and lasting noise raise it."""
    rng = np.random.default_rng(5)
    x = np.full(150, 900.0)
    steady = np.mean([dispersion(rng.poisson(70, 150), x) for _ in range(50)])
    stepped = np.mean([dispersion(np.r_[rng.poisson(70, 75), rng.poisson(100, 75)], x) for _ in range(50)])
    bursts = dispersion(5 * rng.poisson(14, (20, 150)), np.tile(x, (20, 1)))
    weeks = np.repeat(rng.gamma(20, 1 / 20, 22), 7)[:150]
    assert 1.0 <= steady < 1.4
    assert stepped < 1.5
    assert bursts == pytest.approx(5.0, rel=0.15)
    assert dispersion(rng.poisson(70 * weeks), x) > 6.0


def test_widened_limits_are_stretched_in_the_logarithm() -> None:
    """Four times the variance doubles each side's distance; an open limit stays open."""
    found = widened(Estimate(2.0, 1.0, 4.0, 0.01), 4.0)
    assert (found.low, found.high) == pytest.approx((0.5, 8.0))
    assert found.p is not None
    assert found.p > 0.01
    assert widened(Estimate(2.0, 0.0, np.inf), 4.0).high == np.inf
