"""The operating curve is what scoring again with a higher cut gives."""

from __future__ import annotations

import pytest

from dashboards.matching import NS_PER_S
from dashboards.score.curve import POINTS, Curve, operating_curve
from dashboards.score.spells import AirSpell


def air(start_s: float, confidence: float | None = None, air_l: float | None = 0.5) -> AirSpell:
    start_ns = round(start_s * NS_PER_S)
    return AirSpell("p", 1, start_ns, start_ns + NS_PER_S, air_l=air_l, confidence=confidence)


def curve(truth: list[AirSpell], found: list[AirSpell], milkings: int = 100) -> Curve:
    return operating_curve(truth, found, milkings=milkings, tolerance_s=1.0, from_litres=0.15)


def test_a_higher_cut_trades_recall_for_false_finds() -> None:
    """Three cuts, counted by hand: 2/2 at 2 wrong, 2/2 at 1, 1/2 at none."""
    truth = [air(10), air(20), air(30, air_l=0.1)]
    found = [air(10, 0.9), air(20, 0.6), air(50, 0.6), air(60, 0.3), air(30, 0.95)]
    result = curve(truth, found)
    assert [(p.cut, p.recall.part, p.recall.whole, p.wrong.count) for p in result.points] == [
        (0.3, 2, 2, 2),
        (0.6, 2, 2, 1),
        (0.9, 1, 2, 0),
        (0.95, 0, 2, 0),
    ]
    assert [(b.at_most_per_100, b.recall, b.cut) for b in result.best] == [
        (0.5, 0.5, 0.9),
        (1.0, 1.0, 0.6),
        (2.0, 1.0, 0.6),
        (4.0, 1.0, 0.6),
    ]


def test_a_repeat_becomes_the_match_when_the_first_is_cut() -> None:
    """Pairing is done anew at each cut: the surer of two finds keeps the true event found."""
    points = curve([air(10)], [air(10, 0.2), air(10.5, 0.8)]).points
    assert [(p.recall.part, p.wrong.count, p.repeats) for p in points] == [(1, 1, 1), (1, 0, 0)]


def test_many_confidences_are_thinned_but_keep_their_ends() -> None:
    """A thousand finds give at most so many points, from the lowest to the highest confidence."""
    found = [air(10.0 * k, (k + 1) / 1000) for k in range(1000)]
    points = curve(found, found).points
    assert len(points) == POINTS
    assert (points[0].cut, points[-1].cut) == (0.001, 1.0)
    shares = [p.recall.share for p in points]
    assert shares == sorted(shares, reverse=True, key=lambda share: share or 0.0)


def test_finds_without_a_confidence_are_always_kept() -> None:
    """A history without confidences has one point; without milkings no best is told."""
    result = curve([air(10)], [air(10)], milkings=0)
    assert [(p.cut, p.found) for p in result.points] == [(0.0, 1)]
    assert [b.recall for b in result.best] == [None] * 4
    assert result.points[0].recall.share == pytest.approx(1.0)
