"""Changes of a rate that are more than the largest wiggle of a steady one, found by splitting.

The place of a change is searched for, so its likelihood ratio is no ordinary chi-squared: the bound
is that of the largest of all places.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import special

from store.evidence.change import Change, located, log_odds
from store.evidence.interval import Array, floats

SHORTEST_DAYS: Final = 7
"""Shortest stretch on either side of a change [d] (engineering choice: one week)."""


@dataclass(frozen=True, slots=True)
class Found:
    """One accepted change: where, with its posterior over the stretch, and its p value."""

    at: int
    low: int
    high: int
    start: int
    end: int
    change: Change
    p: float


def scan_p(statistic: float, trim: float) -> float:
    r"""Return the probability that the largest likelihood ratio over all places reaches a value.

    With c the statistic and L = ln((1-t)²/t²):
    :math:`p = \sqrt{c/2\pi}\, e^{-c/2} (L (1 - 1/c) + 2/c)`, at most 1.

    Parameters
    ----------
    statistic:
        Twice the largest log likelihood ratio, over the dispersion.
    trim:
        Share of the stretch at either end in which no change is looked for, 0 < trim < 0.5.

    References
    ----------
    .. [1] B. James, K. L. James, D. Siegmund, Biometrika 74, 1987 (from memory; checked by simulation).
    """
    if statistic <= 1.0:
        return 1.0
    width = 2.0 * math.log((1.0 - trim) / trim)
    bulk = math.sqrt(statistic / (2.0 * math.pi)) * math.exp(-statistic / 2.0)
    return min(1.0, bulk * (width * (1.0 - 1.0 / statistic) + 2.0 / statistic))


def find_changes(counts: Array, exposure: Array, *, phi: float, alpha: float) -> list[Found]:
    """Return the changes of a rate in order of time; none in a steady or a merely drifting one.

    Parameters
    ----------
    counts, exposure:
        Daily counts and exposures, shape (days,).
    phi:
        Dispersion from :func:`store.evidence.dispersion.dispersion`.
    alpha:
        Probability of finding anything in a steady series.
    """
    scale = float(counts.sum()) / max(float(exposure.sum()), 1e-12) / phi
    y, x = counts / phi, exposure * scale
    cuts: list[int] = []
    _split(y, x, (0, counts.size), alpha=alpha, cuts=cuts)
    edges = [0, *sorted(cuts), counts.size]
    found = (_judge(y, x, (edges[i], edges[i + 2]), alpha) for i in range(len(edges) - 2))
    return [each for each in found if each is not None]


def _split(y: Array, x: Array, stretch: tuple[int, int], *, alpha: float, cuts: list[int]) -> None:
    """Add the changes within a stretch, halves of halves."""
    found = _judge(y, x, stretch, alpha)
    if found is None:
        return
    cuts.append(found.at)
    _split(y, x, (stretch[0], found.at), alpha=alpha, cuts=cuts)
    _split(y, x, (found.at, stretch[1]), alpha=alpha, cuts=cuts)


def _judge(y: Array, x: Array, stretch: tuple[int, int], alpha: float) -> Found | None:
    """Return the change within a stretch if it is beyond chance and better than a straight drift."""
    start, end = stretch
    y, x = y[start:end], x[start:end]
    places = _places(y, x)
    if places.size == 0:
        return None
    ratios = _likelihood_ratios(y, x)[places]
    best = float(ratios.max())
    p = scan_p(best, min(0.4, places[0] / y.size))
    if p > alpha or best <= _drift_ratio(y, x):
        return None
    odds = np.full(y.size, -np.inf)
    odds[places] = log_odds(y, x)[places]
    change = located(y, x, odds)
    return Found(
        at=start + change.at,
        low=start + change.low,
        high=start + change.high,
        start=start,
        end=end,
        change=change,
        p=p,
    )


def _places(y: Array, x: Array) -> Array:
    """Return where a change may be looked for: a week with data on either side, and any events."""
    days = np.cumsum(x > 0.0)
    if y.sum() <= 0.0 or days[-1] < 2 * SHORTEST_DAYS:
        return np.empty(0, dtype=np.int64)
    inside = (days[:-1] >= SHORTEST_DAYS) & (days[-1] - days[:-1] >= SHORTEST_DAYS) & (x[1:] > 0.0)
    return np.flatnonzero(inside) + 1


def _likelihood_ratios(y: Array, x: Array) -> Array:
    """Return twice the log likelihood ratio of two rates against one, for a change at each index."""
    s, t = np.concatenate([[0.0], np.cumsum(y)[:-1]]), np.concatenate([[0.0], np.cumsum(x)[:-1]])
    total, time = float(y.sum()), float(x.sum())
    rest, left = total - s, time - t
    with np.errstate(divide="ignore", invalid="ignore"):
        split = special.xlogy(s, s / t) + special.xlogy(rest, rest / left)
    return floats(2.0 * (np.nan_to_num(split) - special.xlogy(total, total / time)))


def _drift_ratio(y: Array, x: Array) -> float:
    """Return twice the log likelihood ratio of a rate that drifts log-linearly against a steady one."""
    t = np.linspace(-1.0, 1.0, y.size)
    level, slope = math.log(float(y.sum()) / float(x.sum())), 0.0
    start = level
    for _ in range(25):
        mean = x * np.exp(np.clip(level + slope * t, -30.0, 30.0))
        residual = y - mean
        h00, h01, h11 = float(mean.sum()), float((mean * t).sum()), float((mean * t * t).sum())
        g0, g1 = float(residual.sum()), float((residual * t).sum())
        determinant = max(h00 * h11 - h01**2, 1e-12)
        step0, step1 = (h11 * g0 - h01 * g1) / determinant, (h00 * g1 - h01 * g0) / determinant
        level, slope = level + step0, slope + step1
        if abs(step0) + abs(step1) < 1e-9:
            break
    steady, drifting = x * math.exp(start), x * np.exp(np.clip(level + slope * t, -30.0, 30.0))
    gain = special.xlogy(y, drifting).sum() - drifting.sum() - special.xlogy(y, steady).sum() + steady.sum()
    return 2.0 * float(gain)
