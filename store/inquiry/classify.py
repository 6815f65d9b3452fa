"""Who counts as exposed: decided from the slips alone, before anyone looks at who fell ill."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from store.evidence.interval import Array

_FEWEST_COUNTS: Final = 3.0
"""Mean slips an interval needs before its rate can show two kinds of cows (engineering choice)."""
_SEPARATION: Final = 2.5
"""Distance of two kinds in their standard deviations (Ashman's D; above 2 is apart, from memory)."""
_SMALLEST_SHARE: Final = 0.05
_SURE: Final = 0.8
"""Probability of one of two kinds from which a cow counts as of that kind (engineering choice)."""


@dataclass(frozen=True, slots=True)
class Exposure:
    """Which intervals are exposed (1), which not (0), which are left out (nan); thirds 0, 1, 2."""

    exposed: Array
    thirds: Array
    definition: str


def classify(slips: Array, milkings: Array) -> Exposure | None:
    """Return who is exposed, None when all slipped alike.

    Parameters
    ----------
    slips, milkings:
        Of each cow in each interval between test days, shape (intervals,).

    Notes
    -----
    Where the rates fall into two kinds plainly apart, the higher kind is held against the lower, and
    what may be either is left out. Otherwise the highest third is held against the lowest without the
    middle third, since where one ends and the other begins is unknown.
    """
    rate = slips / milkings
    low, high = np.quantile(rate, [1.0 / 3.0, 2.0 / 3.0])
    if high <= low:
        low = high = float(np.median(rate))
    thirds = np.where(rate > high, 2.0, np.where(rate <= low, 0.0, 1.0))
    if not (thirds == 2.0).any() or not (thirds == 0.0).any():
        return None
    gap = _gap(slips, milkings)
    if gap is not None:
        apart = np.where(rate >= gap[1], 1.0, np.where(rate <= gap[0], 0.0, np.nan))
        text = (
            f"two kinds of cows: at least {10.0 * gap[1]:.2f} slips in 10 milkings between two test days "
            f"against at most {10.0 * gap[0]:.2f}"
        )
        return Exposure(apart, thirds, text)
    exposed = np.where(thirds == 2.0, 1.0, np.where(thirds == 0.0, 0.0, np.nan))
    text = (
        f"highest third (over {10.0 * high:.2f} slips in 10 milkings between two test days) against lowest "
        f"third (at most {10.0 * low:.2f})"
    )
    return Exposure(exposed, thirds, text)


def _gap(slips: Array, milkings: Array) -> tuple[float, float] | None:
    """Return the rates between which a cow may be of either kind, None when they are not plainly two."""
    if slips.size < 100 or slips.mean() < _FEWEST_COUNTS:
        return None
    x = np.sqrt((slips + 0.375) / milkings)
    mean, spread, share = _two_normals(x)
    order = np.argsort(mean)
    mean, spread, share = mean[order], spread[order], share[order]
    apart = np.sqrt(2.0) * (mean[1] - mean[0]) / np.sqrt(float((spread**2).sum()))
    if (
        apart < _SEPARATION
        or share.min() < _SMALLEST_SHARE
        or _single_is_as_good(x, mean, spread, share=share)
    ):
        return None
    grid = np.linspace(mean[0], mean[1], 400)
    densities = [share[i] / spread[i] * np.exp(-0.5 * ((grid - mean[i]) / spread[i]) ** 2) for i in (0, 1)]
    upper = densities[1] / (densities[0] + densities[1])
    low, high = (float(grid[np.argmax(upper >= bound)]) ** 2 for bound in (1.0 - _SURE, _SURE))
    return low, high


def _two_normals(x: Array) -> tuple[Array, Array, Array]:
    """Return means, standard deviations and shares of two normal kinds (expectation-maximisation)."""
    middle = (x.min() + x.max()) / 2.0
    upper = (x > np.clip(middle, *np.quantile(x, [0.5, 0.95]))).astype(np.float64)
    for _ in range(200):
        weight = np.stack([1.0 - upper, upper])
        total = np.maximum(weight.sum(1), 1e-9)
        mean = (weight * x).sum(1) / total
        spread = np.sqrt(np.maximum((weight * (x - mean[:, None]) ** 2).sum(1) / total, 1e-8))
        share = total / x.size
        log = (
            np.log(share)[:, None]
            - np.log(spread)[:, None]
            - 0.5 * ((x - mean[:, None]) / spread[:, None]) ** 2
        )
        fresh = 1.0 / (1.0 + np.exp(np.clip(log[0] - log[1], -50.0, 50.0)))
        if float(np.abs(fresh - upper).max()) < 1e-6:
            break
        upper = fresh
    return mean, spread, share


def _single_is_as_good(x: Array, mean: Array, spread: Array, *, share: Array) -> bool:
    """Return whether one normal kind explains the rates as well (Bayes information criterion)."""
    densities = share[:, None] / spread[:, None] * np.exp(-0.5 * ((x - mean[:, None]) / spread[:, None]) ** 2)
    two = float(np.log(np.maximum(densities.sum(0), 1e-300)).sum())
    one = float((-np.log(x.std()) - 0.5 * ((x - x.mean()) / x.std()) ** 2).sum())
    return 2.0 * (two - one) < 3.0 * math.log(x.size) + 10.0
