"""How much more counts vary than counting noise: slips come in bursts, days differ."""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np
from scipy import special

from store.evidence.interval import Array, Estimate, Z, floats

_TRIMMED: Final = 0.1
"""Share of the largest steps left out, so that a change of the rate itself does not count as noise."""
_TRIM_BIAS: Final = 1.0 / 0.6230
"""Mean of a chi-squared (1) over its mean below the 90 % quantile, computed with scipy (0.6230)."""
BLOCK_DAYS: Final = 7
"""Second scale on which variation is looked at, for noise that lasts for days [d]."""


def dispersion(counts: Any, exposure: Any) -> float:
    """Return the variance of counts over that of Poisson counts, at least 1.

    Neighbouring days are compared, then neighbouring weeks, and the larger result counts: a slow
    drift or a step of the rate hardly enters, noise that lasts for days does.

    Parameters
    ----------
    counts, exposure:
        In order of time, shape (times,) or (units, times); each unit is compared with itself only.
    """
    y, x = np.atleast_2d(floats(counts)), np.atleast_2d(floats(exposure))
    weeks = y.shape[1] // BLOCK_DAYS
    found = [1.0, _by_steps(y, x)]
    if weeks >= 8:
        shape = (y.shape[0], weeks, BLOCK_DAYS)
        whole = weeks * BLOCK_DAYS
        found.append(_by_steps(y[:, :whole].reshape(shape).sum(2), x[:, :whole].reshape(shape).sum(2)))
    return max(found)


def widened(estimate: Estimate, phi: float) -> Estimate:
    """Return a ratio with limits and p value for counts that vary ``phi`` times as much as Poisson.

    Notes
    -----
    The distance of each limit from the value is stretched by the root of phi in the logarithm.
    """
    if phi <= 1.0 or not 0.0 < estimate.value < math.inf:
        return estimate
    root, centre = math.sqrt(phi), math.log(estimate.value)
    low = math.exp(centre - root * (centre - math.log(estimate.low))) if estimate.low > 0.0 else 0.0
    high = estimate.high
    if high < math.inf:
        high = math.exp(centre + root * (math.log(high) - centre))
    p = estimate.p
    if p is not None and low > 0.0 and high < math.inf:
        error = math.log(high / low) / (2.0 * Z)
        p = max(p, 2.0 * float(special.ndtr(-abs(centre) / error)))
    return Estimate(estimate.value, low, high, p)


def _by_steps(y: Array, x: Array) -> float:
    """Return the mean squared step between neighbours in units of its Poisson variance, trimmed."""
    both = (x[:, 1:] > 0.0) & (x[:, :-1] > 0.0)
    rate = y.sum(1, keepdims=True) / np.maximum(x.sum(1, keepdims=True), 1e-12)
    with np.errstate(divide="ignore", invalid="ignore"):
        step = y[:, 1:] / x[:, 1:] - y[:, :-1] / x[:, :-1]
        squares = (step**2 / (rate * (1.0 / x[:, 1:] + 1.0 / x[:, :-1])))[both & (rate > 0.0)]
    if squares.size < 10:
        return 1.0
    kept = np.sort(squares)[: int(squares.size * (1.0 - _TRIMMED))]
    return float(kept.mean()) * _TRIM_BIAS
