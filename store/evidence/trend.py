"""Dose-response, and the price of asking many questions at once."""

from __future__ import annotations

from typing import Any

import numpy as np
from scipy import special

from store.evidence.interval import Array, floats


def trend_chi2(cases: Any, totals: Any, scores: Any) -> tuple[float, float] | None:
    r"""Return Cochran and Armitage's statistic for a trend of a share over scores, and its p value.

    :math:`T = \sum s (x - n \bar p)`,
    :math:`V = \bar p (1 - \bar p) (\sum n s^2 - (\sum n s)^2 / N)`; T²/V is chi-squared with 1 degree.

    Parameters
    ----------
    cases, totals, scores:
        Cases, all, and the score of each level of exposure, shape (levels,).

    Returns
    -------
    tuple of float or None
        None when all or none are cases, or all scores are equal.
    """
    x, n, s = floats(cases), floats(totals), floats(scores)
    everything = float(n.sum())
    share = float(x.sum()) / everything if everything else 0.0
    spread = (
        share * (1.0 - share) * (float((n * s**2).sum()) - float((n * s).sum()) ** 2 / max(everything, 1.0))
    )
    if spread <= 1e-12:
        return None
    chi2 = float((s * (x - n * share)).sum()) ** 2 / spread
    return chi2, float(special.chdtrc(1, chi2))


def adjusted_p(p_values: Any) -> Array:
    """Return p values adjusted for their number, after Benjamini and Hochberg.

    Rejecting what stays below a bound keeps the expected share of false rejections below it.
    """
    p = floats(p_values)
    order = np.argsort(p)[::-1]
    ranks = np.arange(p.size, 0, -1)
    adjusted = np.empty_like(p)
    adjusted[order] = np.minimum(1.0, np.minimum.accumulate(p[order] * p.size / ranks))
    return adjusted


def stepped_p(p_values: Any) -> Array:
    """Return p values adjusted so that any false rejection at all stays below the bound (Holm).

    References
    ----------
    .. [1] S. Holm, Scand J Stat 6, 1979 (from memory; checked by hand).
    """
    p = floats(p_values)
    order = np.argsort(p)
    adjusted = np.empty_like(p)
    adjusted[order] = np.minimum(1.0, np.maximum.accumulate(p[order] * np.arange(p.size, 0, -1)))
    return adjusted
