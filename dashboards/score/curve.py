"""What other bars would have given: recall against false finds as the cut on ``confidence`` rises."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from dashboards.matching import pair
from dashboards.score.figures import Rate, Share, rate, share
from dashboards.score.spells import AirSpell

POINTS: Final = 25
"""Most points of a curve: a re-pairing each."""
LIMITS_PER_100: Final = (0.5, 1.0, 2.0, 4.0)
"""False finds per 100 milkings at which the best recall is read off the curve."""


@dataclass(frozen=True, slots=True)
class Point:
    """What remains when finds below ``cut`` are dropped; ``wrong`` are false ones and repeats."""

    cut: float
    found: int
    recall: Share
    wrong: Rate
    repeats: int


@dataclass(frozen=True, slots=True)
class Best:
    """The best recall with at most so many wrong finds per 100 milkings; None when no cut is so strict."""

    at_most_per_100: float
    recall: float | None
    cut: float | None


@dataclass(frozen=True, slots=True)
class Curve:
    """Recall of true events of at least ``from_litres`` against wrong finds, strictest cut last.

    The curve begins at what the history holds: finds that were never reported cannot be taken back in.
    """

    from_litres: float
    points: tuple[Point, ...]
    best: tuple[Best, ...]


def operating_curve(
    truth: Sequence[AirSpell],
    found: Sequence[AirSpell],
    *,
    milkings: int,
    tolerance_s: float,
    from_litres: float,
) -> Curve:
    """Score again at each cut on confidence; finds without a confidence are always kept.

    Parameters
    ----------
    truth, found:
        True and found air events.
    milkings:
        True milkings, the exposure of the rate.
    tolerance_s:
        As in pairing [s].
    from_litres:
        Recall counts true events of at least so much air [L]; smaller ones are paired all the same.
    """
    points = []
    for cut in _cuts([spell.confidence for spell in found if spell.confidence is not None]):
        kept = [spell for spell in found if spell.confidence is None or spell.confidence >= cut]
        pairs = pair(truth, kept, tolerance_s=tolerance_s)
        hit = {i for i, _ in pairs.matched}
        large = [i for i, t in enumerate(truth) if t.air_l is not None and t.air_l >= from_litres]
        points.append(
            Point(
                cut=cut,
                found=len(kept),
                recall=share(sum(i in hit for i in large), len(large)),
                wrong=rate(len(pairs.false) + len(pairs.repeats), milkings),
                repeats=len(pairs.repeats),
            )
        )
    return Curve(from_litres, tuple(points), tuple(_best(points, limit) for limit in LIMITS_PER_100))


def _cuts(confidences: Sequence[float]) -> list[float]:
    """Return the distinct confidences, thinned to evenly spaced ranks, lowest first."""
    distinct = np.unique(np.asarray(confidences, dtype=float))
    if distinct.size == 0:
        return [0.0]
    ranks = np.linspace(0, distinct.size - 1, min(POINTS, distinct.size)).round().astype(int)
    return [float(distinct[rank]) for rank in ranks]


def _best(points: Sequence[Point], limit: float) -> Best:
    fit = [
        point
        for point in points
        if point.recall.share is not None and point.wrong.per_100 is not None and point.wrong.per_100 <= limit
    ]
    if not fit:
        return Best(limit, None, None)
    top = max(fit, key=lambda point: (point.recall.part, -point.wrong.count))
    return Best(limit, top.recall.share, top.cut)
