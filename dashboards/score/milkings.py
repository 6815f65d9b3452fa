"""The score of milkings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from dashboards.matching import pair
from dashboards.score.figures import Counts, Quantiles, Share, counts, quantiles, seconds, share
from dashboards.score.spells import MilkingSpell

WIDE_S: Final = 15.0
"""Both ends of a milking must agree within this [s] to count as found at all."""
NARROW_S: Final = 5.0
YIELD_SHARES: Final = (0.03, 0.05)


@dataclass(frozen=True, slots=True)
class MilkingScore:
    """Agreement of milkings; the ``within`` figures are shares of all true ones.

    ``counts.missed`` and ``counts.false`` are missed and extra milkings, ``counts.repeats`` further pieces of
    one already told.
    """

    counts: Counts
    both_ends_within_5_s: Share
    both_ends_within_15_s: Share
    within_15_s: float | None
    within_5_s: float | None
    start_error_s: Quantiles | None
    end_error_s: Quantiles | None
    yield_error_ratio: Quantiles | None
    yield_within_3_percent: Share
    yield_within_5_percent: Share


def score_milkings(truth: Sequence[MilkingSpell], found: Sequence[MilkingSpell]) -> MilkingScore:
    """Score milkings: found at both ends, and with which yield."""
    pairs = pair(truth, found, tolerance_s=0.0)
    both = [(truth[i], found[j]) for i, j in pairs.matched]
    starts = [abs(seconds(f.start_ns - t.start_ns)) for t, f in both]
    ends = [abs(seconds(f.end_ns - t.end_ns)) for t, f in both]
    worse = [max(errors) for errors in zip(starts, ends, strict=True)]
    narrow, wide = (share(sum(e <= limit for e in worse), len(truth)) for limit in (NARROW_S, WIDE_S))
    known = sum(bool(t.yield_kg) for t in truth)
    yields = [abs(f.yield_kg / t.yield_kg - 1.0) for t, f in both if t.yield_kg and f.yield_kg is not None]
    three, five = (share(sum(e <= limit for e in yields), known) for limit in YIELD_SHARES)
    return MilkingScore(
        counts=counts(pairs),
        both_ends_within_5_s=narrow,
        both_ends_within_15_s=wide,
        within_15_s=wide.share,
        within_5_s=narrow.share,
        start_error_s=quantiles(starts, 50, 95),
        end_error_s=quantiles(ends, 50, 95),
        yield_error_ratio=quantiles(yields, 50, 95),
        yield_within_3_percent=three,
        yield_within_5_percent=five,
    )
