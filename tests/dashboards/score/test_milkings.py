"""The score of milkings says what a person counting by hand would say."""

from __future__ import annotations

import pytest

from dashboards.matching import NS_PER_S
from dashboards.score.milkings import score_milkings
from dashboards.score.spells import MilkingSpell


def milking(stall: int, start_s: float, end_s: float, yield_kg: float | None = 10.0) -> MilkingSpell:
    return MilkingSpell("p", stall, round(start_s * NS_PER_S), round(end_s * NS_PER_S), yield_kg)


def test_milkings_are_found_only_with_both_ends() -> None:
    """A milking with one end 16 s off is matched but not found; its yield error still counts."""
    truth = [milking(stall, 0, 300) for stall in (1, 2, 3)]
    result = score_milkings(truth, [milking(1, 3, 304, 10.2), milking(2, 0, 316)])
    assert result.within_5_s == pytest.approx(1 / 3)
    assert result.within_15_s == pytest.approx(1 / 3)
    assert result.counts.recall == pytest.approx(2 / 3)
    assert (result.counts.missed, result.counts.false) == (1, 0)
    assert result.yield_within_5_percent.share == pytest.approx(2 / 3)
    assert result.yield_error_ratio == pytest.approx({"p50": 0.01, "p95": 0.019})


def test_extra_milkings_and_pieces_are_told_apart() -> None:
    """A milking nobody had is false; the second piece of a true one is a repeat."""
    result = score_milkings(
        [milking(1, 0, 300)], [milking(1, 0, 100), milking(1, 110, 300), milking(2, 0, 300)]
    )
    assert (result.counts.matched, result.counts.repeats, result.counts.false) == (1, 1, 1)


def test_a_truth_without_yields_gives_no_yield_figures() -> None:
    """Untold yields are neither right nor wrong."""
    result = score_milkings([milking(1, 0, 300, None)], [milking(1, 0, 300)])
    assert result.yield_error_ratio is None
    assert result.yield_within_3_percent.share is None
    assert result.both_ends_within_5_s.share == 1.0
