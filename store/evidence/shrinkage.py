"""Rates of stalls drawn towards what all stalls share: few milkings, much shrinking."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy import optimize, special

from store.evidence.interval import Array, floats


@dataclass(frozen=True, slots=True)
class Prior:
    """The gamma distribution of the stalls' relative rates, and how well it fits."""

    shape: float
    rate: float
    log_likelihood: float

    @property
    def mean(self) -> float:
        """Return the mean relative rate."""
        return self.shape / self.rate


@dataclass(frozen=True, slots=True)
class Shrunk:
    """Relative rates after shrinking, with 95 % limits; arrays of shape (units,)."""

    ratio: Array
    low: Array
    high: Array


def fit_prior(observed: Any, expected: Any) -> Prior:
    r"""Return the gamma prior that makes the counts likeliest (a negative binomial with offset).

    :math:`O_i \sim Pois(E_i \theta_i), \theta \sim \Gamma(\alpha, \nu)`.

    Parameters
    ----------
    observed, expected:
        Counts and their expectations, > 0, shape (units,).

    Notes
    -----
    The shape is bounded at 10^6: beyond it the units do not differ and everything shrinks to one rate.
    """
    o, e = floats(observed), floats(expected)
    start = [0.0, np.log(max(float(o.sum() / e.sum()), 1e-9))]
    found = optimize.minimize(
        lambda at: -_log_likelihood(o, e, at),
        start,
        method="L-BFGS-B",
        bounds=[(-5.0, np.log(1e6)), (-20.0, 10.0)],
        options={"ftol": 1e-15, "gtol": 1e-9},
    )
    shape, mean = float(np.exp(found.x[0])), float(np.exp(found.x[1]))
    return Prior(shape, shape / mean, -float(found.fun))


def shrink(observed: Any, expected: Any, prior: Prior, *, within: float = 1.0) -> Shrunk:
    """Return each unit's relative rate given its own count and what all units share.

    Parameters
    ----------
    observed, expected:
        Counts and their expectations, shape (units,).
    prior:
        From :func:`fit_prior`.
    within:
        Dispersion of one unit's own counts: its evidence counts for that much less.
    """
    shape = floats(observed) / within + prior.shape
    rate = floats(expected) / within + prior.rate
    low, high = (special.gammaincinv(shape, tail) / rate for tail in (0.025, 0.975))
    return Shrunk(shape / rate, floats(low), floats(high))


def probability_above(observed: Any, expected: Any, prior: Prior, *, bound: float) -> Array:
    """Return the probability that each unit's relative rate lies above a bound."""
    shape, rate = floats(observed) + prior.shape, floats(expected) + prior.rate
    return floats(special.gammaincc(shape, bound * rate))


def _log_likelihood(o: Array, e: Array, at: Array) -> float:
    """Return the log likelihood of log shape and log mean."""
    shape, mean = np.exp(at[0]), e * np.exp(at[1])
    terms = (
        special.gammaln(o + shape)
        - special.gammaln(shape)
        - special.gammaln(o + 1.0)
        + shape * np.log(shape / (shape + mean))
        + special.xlogy(o, mean / (shape + mean))
    )
    return float(terms.sum())
