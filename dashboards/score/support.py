"""The score of stretches in which a unit was not carried."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from dashboards.matching import pair
from dashboards.score.figures import (
    Confusion,
    Counts,
    Quantiles,
    Rate,
    Share,
    agreement,
    confusion,
    counts,
    quantiles,
    rate,
    seconds,
)
from dashboards.score.spells import SupportSpell

TOLERANCE_S: Final = 5.0
"""Two support spells touch within this [s]; engineering choice."""


@dataclass(frozen=True, slots=True)
class SupportScore:
    """Agreement of unsupported stretches.

    ``false_per_100_milkings`` counts stretches that touch no true one; a second piece of a true one is a
    repeat. ``share_error`` is the distance of the carried share from the true one.
    """

    counts: Counts
    false_per_100_milkings: float | None
    false: Rate
    repeats: Rate
    state_right: Share
    states: Confusion
    delay_s: Quantiles | None
    share_error: Quantiles | None


def score_support(
    truth: Sequence[SupportSpell], found: Sequence[SupportSpell], *, milkings: int
) -> SupportScore:
    """Score unsupported stretches; a repeat is a second found spell within one true one."""
    pairs = pair(truth, found, tolerance_s=TOLERANCE_S)
    both = [(truth[i], found[j]) for i, j in pairs.matched]
    false = rate(len(pairs.false), milkings)
    states = confusion((t.state, f.state) for t, f in both)
    delays = [seconds(f.detected_ns - t.start_ns) for t, f in both if f.detected_ns is not None]
    shares = [
        abs(f.support_share - t.support_share)
        for t, f in both
        if t.support_share is not None and f.support_share is not None
    ]
    return SupportScore(
        counts=counts(pairs),
        false_per_100_milkings=false.per_100,
        false=false,
        repeats=rate(len(pairs.repeats), milkings),
        state_right=agreement(states),
        states=states,
        delay_s=quantiles(delays, 50, 95),
        share_error=quantiles(shares, 50, 95),
    )
