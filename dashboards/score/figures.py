"""The few kinds of figures a score is made of: shares, rates, quantiles, bands, confusion.

Every figure is None where its denominator is zero: what the data cannot carry is not invented.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from dashboards.intervals import per_hundred, share_limits
from dashboards.matching import NS_PER_S, Pairs

Interval = tuple[float, float]
Quantiles = dict[str, float]
Confusion = dict[str, dict[str, int]]


@dataclass(frozen=True, slots=True)
class Share:
    """So many of so many, with the 95 % limits of the share."""

    part: int
    whole: int
    share: float | None
    interval: Interval | None


@dataclass(frozen=True, slots=True)
class Rate:
    """Events in 100 true milkings, with the exact 95 % limits of the count."""

    count: int
    per_100: float | None
    interval: Interval | None


@dataclass(frozen=True, slots=True)
class Band:
    """Recall of the true events whose size lies in [low, high); no upper edge is None."""

    low: float
    high: float | None
    truth: int
    matched: int
    recall: float | None
    interval: Interval | None


@dataclass(frozen=True, slots=True)
class Counts:
    """How many there truly were, how many were found, and how they pair up."""

    truth: int
    found: int
    matched: int
    missed: int
    repeats: int
    false: int
    recall: float | None
    recall_interval: Interval | None
    precision: float | None
    precision_interval: Interval | None
    f1: float | None


def share(part: int, whole: int) -> Share:
    """Return a share with its limits."""
    return Share(part, whole, ratio(part, whole), share_limits(part, whole))


def share_of(flags: Iterable[bool]) -> Share:
    """Return the share of true flags."""
    counted = Counter(flags)
    return share(counted[True], counted.total())


def rate(count: int, milkings: int) -> Rate:
    """Return a rate per 100 milkings with its limits."""
    figures = per_hundred(count, milkings)
    return Rate(count, None, None) if figures is None else Rate(count, figures[0], figures[1:])


def counts(pairs: Pairs) -> Counts:
    """Count the outcome of a pairing; repeats count against precision."""
    matched = len(pairs.matched)
    truth, found = matched + len(pairs.missed), matched + len(pairs.repeats) + len(pairs.false)
    return Counts(
        truth=truth,
        found=found,
        matched=matched,
        missed=len(pairs.missed),
        repeats=len(pairs.repeats),
        false=len(pairs.false),
        recall=ratio(matched, truth),
        recall_interval=share_limits(matched, truth),
        precision=ratio(matched, found),
        precision_interval=share_limits(matched, found),
        f1=ratio(2 * matched, truth + found),
    )


def bands(sizes: Sequence[float | None], hit: set[int], edges: Sequence[float]) -> tuple[Band, ...]:
    """Return recall by size; true events without a size stand in no band.

    Parameters
    ----------
    sizes:
        Size of each true event.
    hit:
        Indices of the true events that were found.
    edges:
        Edges of the bands, rising; the last may be infinite.
    """
    result = []
    for low, high in pairwise(edges):
        inside = [i for i, size in enumerate(sizes) if size is not None and low <= size < high]
        of = share(sum(i in hit for i in inside), len(inside))
        upper = None if high == float("inf") else high
        result.append(Band(low, upper, of.whole, of.part, of.share, of.interval))
    return tuple(result)


def confusion(pairs: Iterable[tuple[str | None, str | None]]) -> Confusion:
    """Count found words under the true word, both in alphabetical order; untold words are left out."""
    table: dict[str, Counter[str]] = {}
    for true, found in sorted((t, f) for t, f in pairs if t is not None and f is not None):
        table.setdefault(true, Counter())[found] += 1
    return {true: dict(row) for true, row in table.items()}


def agreement(table: Confusion) -> Share:
    """Return how often the found word is the true one."""
    return share(
        sum(row.get(true, 0) for true, row in table.items()), sum(sum(row.values()) for row in table.values())
    )


def quantiles(values: Sequence[float], *percents: int) -> Quantiles | None:
    """Return percentiles under the names ``p50`` and so on (linear between the ranks)."""
    if not values:
        return None
    return {f"p{p}": float(q) for p, q in zip(percents, np.percentile(values, percents), strict=True)}


def ratio(part: float, whole: float) -> float | None:
    """Return a quotient, or None of nothing."""
    return part / whole if whole else None


def seconds(duration_ns: int) -> float:
    """Return nanoseconds as seconds."""
    return duration_ns / NS_PER_S
