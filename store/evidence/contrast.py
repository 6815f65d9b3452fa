"""Did a remedy work: treated stalls before and after, against stalls that were left alone."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import special

from store.evidence.interval import Array, Estimate, log_normal

_OWN_WAY: Final = 3.5
"""Distance from its arm [robust standard deviations] beyond which a stall changed for reasons of its own."""
_FEWEST: Final = 5
"""Stalls an arm needs before any of them can be called odd (engineering choice)."""


@dataclass(frozen=True, slots=True)
class Arms:
    """Counts and exposures of each stall before and after, and which were treated; shape (stalls,)."""

    before: Array
    before_exposure: Array
    after: Array
    after_exposure: Array
    treated: Array

    def only(self, kept: Array) -> Arms:
        """Return the arms with some stalls only."""
        return Arms(
            self.before[kept],
            self.before_exposure[kept],
            self.after[kept],
            self.after_exposure[kept],
            self.treated[kept],
        )


def own_way(arms: Arms) -> Array:
    """Return which stalls changed quite unlike the others of their arm, shape (stalls,).

    Such a stall (a worn part that failed meanwhile) says nothing of the remedy.
    """
    odd = np.zeros(arms.before.size, dtype=bool)
    for side in (True, False):
        index = np.flatnonzero((arms.treated > 0.0) == side)
        if index.size < _FEWEST:
            continue
        arm = arms.only(index)
        b, a = arm.before + 0.5, arm.after + 0.5
        logs = np.log(a / arm.after_exposure) - np.log(b / arm.before_exposure)
        error = np.sqrt(1.0 / a + 1.0 / b)
        distance = (logs - np.median(logs)) / error
        scale = max(1.0, 1.4826 * float(np.median(np.abs(distance))))
        odd[index] = np.abs(distance) > _OWN_WAY * scale
    return odd


def controlled_ratio(arms: Arms) -> Estimate | None:
    """Return the ratio of ratios, treated over untreated, None when an arm has no stalls or no events.

    Limits come from leaving out one stall after the other in each arm (jackknife), so that stalls
    may differ in how they change, and are never narrower than counting noise; Student's t for the
    smaller arm.
    """
    values, spreads, fewest = [], [], arms.before.size
    for side in (True, False):
        arm = arms.only(np.flatnonzero((arms.treated > 0.0) == side))
        value = _log_change(arm)
        if value is None:
            return None
        values.append(value)
        spreads.append(_spread(arm))
        fewest = min(fewest, arm.before.size)
    if fewest < 2:
        return None
    difference = values[0] - values[1]
    quantile = float(special.stdtrit(fewest - 1, 0.975))
    return log_normal(math.exp(difference), math.sqrt(sum(spreads)), quantile=quantile)


def _log_change(arm: Arms) -> float | None:
    """Return the log ratio of an arm's rates, after over before."""
    sums = [float(s.sum()) for s in (arm.after, arm.after_exposure, arm.before, arm.before_exposure)]
    if min(sums, default=0.0) <= 0.0:
        return None
    return math.log(sums[0] / sums[1]) - math.log(sums[2] / sums[3])


def _spread(arm: Arms) -> float:
    """Return the variance of the log ratio of an arm."""
    counting = 1.0 / float(arm.after.sum()) + 1.0 / float(arm.before.sum())
    size = arm.before.size
    if size < 3:
        return counting
    a, ta = arm.after.sum() - arm.after, arm.after_exposure.sum() - arm.after_exposure
    b, tb = arm.before.sum() - arm.before, arm.before_exposure.sum() - arm.before_exposure
    if min(a.min(), b.min()) <= 0.0:
        return counting
    without = np.log(a / ta) - np.log(b / tb)
    return max(counting, float((size - 1) / size * ((without - without.mean()) ** 2).sum()))
