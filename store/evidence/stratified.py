"""Risks compared within strata (parity, stage of lactation), after Mantel and Haenszel."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Self

import numpy as np

from store.evidence.interval import Array, Estimate, floats, log_normal


@dataclass(frozen=True, slots=True)
class Strata:
    """Two-by-two tables, one a stratum: arrays of shape (strata,).

    ``cases`` and ``others`` are of the exposed, ``plain_cases`` and ``plain_others`` of the unexposed.
    """

    cases: Array
    others: Array
    plain_cases: Array
    plain_others: Array

    @classmethod
    def of(cls, cases: Any, others: Any, plain_cases: Any, plain_others: Any) -> Self:
        """Return tables made of four sequences of counts."""
        return cls(floats(cases), floats(others), floats(plain_cases), floats(plain_others))

    @property
    def informative(self) -> int:
        """Return in how many strata both the exposed and the unexposed stand, with a case among them."""
        exposed, plain = self.cases + self.others, self.plain_cases + self.plain_others
        return int(np.count_nonzero((exposed > 0) & (plain > 0) & (self.cases + self.plain_cases > 0)))


def risk_ratio(tables: Strata) -> Estimate | None:
    r"""Return the pooled ratio of risks with Greenland and Robins' limits, None when a side has no case.

    :math:`R = \sum a n_0/N,\ S = \sum c n_1/N`; variance of the logarithm
    :math:`\sum [(n_1 n_0 (a+c) - a c N)/N^2] / (R S)`.

    References
    ----------
    .. [1] S. Greenland, J. Robins, Biometrics 41, 1985 (formula from memory; checked against epiR).
    """
    a, c = tables.cases, tables.plain_cases
    n1, n0 = a + tables.others, c + tables.plain_others
    total = n1 + n0
    kept = total > 0
    a, c, n1, n0, total = a[kept], c[kept], n1[kept], n0[kept], total[kept]
    top, bottom = float((a * n0 / total).sum()), float((c * n1 / total).sum())
    if top <= 0.0 or bottom <= 0.0:
        return None
    spread = float(((n1 * n0 * (a + c) - a * c * total) / total**2).sum())
    return log_normal(top / bottom, math.sqrt(spread / (top * bottom)))


def odds_ratio(tables: Strata) -> Estimate | None:
    """Return the pooled odds ratio with Robins, Breslow and Greenland's limits, None when undefined."""
    a, b, c, d = tables.cases, tables.others, tables.plain_cases, tables.plain_others
    total = np.maximum(a + b + c + d, 1.0)
    r, s = a * d / total, b * c / total
    p, q = (a + d) / total, (b + c) / total
    top, bottom = float(r.sum()), float(s.sum())
    if top <= 0.0 or bottom <= 0.0:
        return None
    spread = (
        float((p * r).sum()) / (2.0 * top**2)
        + float((p * s + q * r).sum()) / (2.0 * top * bottom)
        + float((q * s).sum()) / (2.0 * bottom**2)
    )
    return log_normal(top / bottom, math.sqrt(spread))


def rate_ratio(events: Any, exposure: Any, other_events: Any, other_exposure: Any) -> Estimate | None:
    """Return the pooled ratio of rates over strata, None when a side has no event.

    Parameters
    ----------
    events, exposure, other_events, other_exposure:
        Counts and exposures of both sides, each of shape (strata,).
    """
    a, t1, c, t0 = floats(events), floats(exposure), floats(other_events), floats(other_exposure)
    total = t1 + t0
    top, bottom = float((a * t0 / total).sum()), float((c * t1 / total).sum())
    if top <= 0.0 or bottom <= 0.0:
        return None
    spread = float((t1 * t0 * (a + c) / total**2).sum())
    return log_normal(top / bottom, math.sqrt(spread / (top * bottom)))


def clustered_log_se(exposed: Array, case: Array, stratum: Array, cluster: Array) -> float | None:
    """Return the standard error of the pooled log risk ratio when records of one cow belong together.

    Each record's influence on the pooled ratio is summed over its cow and the squares are added up:
    the sandwich estimator of the Mantel-Haenszel ratio, with the factor G/(G - 1) for G cows.

    Parameters
    ----------
    exposed, case:
        1 or 0 of each record, shape (records,).
    stratum, cluster:
        Whole numbers from 0 that say to which stratum and which cow a record belongs.
    """
    index, cow = stratum.astype(np.int64), cluster.astype(np.int64)
    count = int(index.max(initial=-1)) + 1
    a = np.bincount(index, exposed * case, count)
    c = np.bincount(index, (1.0 - exposed) * case, count)
    n1, n0 = np.bincount(index, exposed, count), np.bincount(index, 1.0 - exposed, count)
    total = np.maximum(n1 + n0, 1.0)
    top, bottom = float((a * n0 / total).sum()), float((c * n1 / total).sum())
    cows = np.unique(cow).size
    if top <= 0.0 or bottom <= 0.0 or cows < 2:
        return None
    of_top = np.where(exposed > 0, (case * n0[index]), a[index]) / total[index] - (a * n0 / total**2)[index]
    of_bottom = np.where(exposed > 0, c[index], case * n1[index]) / total[index] - (c * n1 / total**2)[index]
    influence = np.bincount(cow, of_top / top - of_bottom / bottom)
    return math.sqrt(float((influence**2).sum()) * cows / (cows - 1))


def attributable_fraction(ratio: Estimate) -> Estimate:
    """Return the share of the exposed cases that goes with the exposure, if the association were causal."""
    return Estimate(*(1.0 - 1.0 / max(value, 1e-300) for value in (ratio.value, ratio.low, ratio.high)))


def population_fraction(ratio: Estimate, exposed_case_share: float) -> float:
    """Return the share of all cases that goes with the exposure, if the association were causal."""
    return exposed_case_share * attributable_fraction(ratio).value
