"""Funnel limits and shrunken rates of the lip cancer districts."""

from __future__ import annotations

import numpy as np
import pytest

from store.evidence.funnel import funnel, high_p, limits
from store.evidence.shrinkage import fit_prior, probability_above, shrink
from tests.store.published import LIP_CASES, LIP_POPULATION

OBSERVED = np.array(LIP_CASES, dtype=float)
POPULATION = np.array(LIP_POPULATION, dtype=float)
EXPECTED = POPULATION * OBSERVED.sum() / POPULATION.sum()


@pytest.mark.source(
    "Spiegelhalter 2005 (formulas from memory) on epi.SClip of epiR; computed twice, in R and Python"
)
def test_overdispersion_of_the_districts() -> None:
    """Dispersion raw and winsorised, and the variance between districts, to the printed digits."""
    found = funnel(OBSERVED, EXPECTED)
    assert (found.phi, found.phi_winsorised, found.tau2) == pytest.approx(
        (7.38907, 5.04323, 0.1113133), abs=5e-6
    )


@pytest.mark.parametrize(("spread", "outside"), [("poisson", 17), ("multiplicative", 1), ("additive", 2)])
def test_limits_that_know_counting_noise_only_accuse_too_many(spread: str, outside: int) -> None:
    """Outside 99.8 %: 17 districts by counting noise alone, one or two when their spread is allowed for."""
    found = funnel(OBSERVED, EXPECTED)
    tau2 = found.tau2 if spread == "additive" else 0.0
    within = found.phi_winsorised if spread == "multiplicative" else 1.0
    low, high = limits(EXPECTED, tau2, quantile=3.09, within=within)
    ratio = OBSERVED / EXPECTED
    assert int(((ratio < low) | (ratio > high)).sum()) == outside


@pytest.mark.source(
    "R MASS glm.nb on epi.SClip: theta 1.5020649, mean 1.5301562, log likelihood -187.3156267"
)
def test_prior_of_the_districts() -> None:
    """The maximum likelihood of the gamma prior is that of R's negative binomial."""
    prior = fit_prior(OBSERVED, EXPECTED)
    assert (prior.shape, prior.rate, prior.mean) == pytest.approx((1.5020649, 0.9816415, 1.5301562), abs=2e-6)
    assert prior.log_likelihood == pytest.approx(-187.3156267, abs=5e-7)
    shrunk = shrink(OBSERVED, EXPECTED, prior)
    top = int(np.argmax(OBSERVED / EXPECTED))
    assert OBSERVED[top] / EXPECTED[top] == pytest.approx(8.880, abs=5e-4)
    assert (shrunk.ratio[top], shrunk.low[top], shrunk.high[top]) == pytest.approx(
        (5.264, 2.578, 8.893), abs=5e-4
    )
    assert (shrunk.ratio[3], shrunk.low[3], shrunk.high[3]) == pytest.approx((4.374, 3.132, 5.821), abs=5e-4)
    assert probability_above(OBSERVED, EXPECTED, prior, bound=1.5)[top] > 0.99


def test_units_that_do_not_differ_shrink_to_one_rate() -> None:
    """Counts as even as their expectations leave nothing of the differences."""
    expected = np.full(40, 100.0)
    observed = np.array([98.0, 102.0] * 20)
    assert shrink(observed, expected, fit_prior(observed, expected)).ratio == pytest.approx(
        np.ones(40), abs=1e-3
    )


def test_few_units_get_no_spread_and_heavier_tails() -> None:
    """With three units no spread is estimated, and a high score is less surprising than among forty."""
    assert funnel([5, 50, 20], [20, 20, 20]).tau2 == 0.0
    assert high_p(np.array([3.0]), 3)[0] > high_p(np.array([3.0]), 40)[0]
