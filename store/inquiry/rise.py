"""Rates before and after: how often units slipped, with exact limits and limits that allow for bursts."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from store.evidence import stratified
from store.evidence.dispersion import dispersion, widened
from store.evidence.interval import Estimate
from store.evidence.rates import rate_ratio, rate_ratio_mid_p
from store.inquiry.daily import Period, StallDays

FEWEST_SLIPS: Final = 10
"""Slips of both sides together below which no ratio is told."""


@dataclass(frozen=True, slots=True)
class Side:
    """Counts of one period: complete milkings, their slips, share of the unit-on time without support."""

    milkings: int
    slips: int
    unsupported_share: float | None

    @property
    def per_100(self) -> float | None:
        """Return slips in 100 milkings."""
        return 100.0 * self.slips / self.milkings if self.milkings else None


@dataclass(frozen=True, slots=True)
class Rise:
    """Two periods and the ratio of their rates: ``exact``, ``mid_p``, and ``wide`` for bursts of slips.

    ``within_stalls`` pools the ratios of single stalls, so that another mix of stalls cannot pass for a rise.
    """

    before: Side
    after: Side
    exact: Estimate | None
    mid_p: Estimate | None
    wide: Estimate | None
    within_stalls: Estimate | None
    dispersion: float


def side(daily: StallDays, period: Period, rows: list[int] | None = None) -> Side:
    """Return the counts of a period, of some rows of stalls or of all."""
    chosen = rows if rows is not None else list(range(len(daily.stalls)))
    columns = daily.columns(period)
    sums = [
        float(table[chosen, columns].sum())
        for table in (daily.milkings, daily.slips, daily.unsupported_s, daily.unit_on_s)
    ]
    return Side(round(sums[0]), round(sums[1]), sums[2] / sums[3] if sums[3] > 0.0 else None)


def compare_periods(
    daily: StallDays, baseline: Period, period: Period, rows: list[int] | None = None
) -> Rise:
    """Return the rates of two periods and their ratio, None where too few slips were seen."""
    before, after = side(daily, baseline, rows), side(daily, period, rows)
    chosen = rows if rows is not None else list(range(len(daily.stalls)))
    phi = max(
        dispersion(*(table[chosen, daily.columns(each)].sum(0) for table in (daily.slips, daily.milkings)))
        for each in (baseline, period)
    )
    counts = (after.slips, after.milkings, before.slips, before.milkings)
    if after.slips + before.slips < FEWEST_SLIPS:
        return Rise(before, after, None, None, None, None, phi)
    exact = rate_ratio(*counts)
    if exact is None:
        return Rise(before, after, None, None, None, None, phi)
    sums = [
        table[chosen, daily.columns(each)].sum(1)
        for each in (period, baseline)
        for table in (daily.slips, daily.milkings)
    ]
    pooled = stratified.rate_ratio(*(each[(sums[1] > 0.0) & (sums[3] > 0.0)] for each in sums))
    return Rise(before, after, exact, rate_ratio_mid_p(*counts), widened(exact, phi), pooled, phi)
