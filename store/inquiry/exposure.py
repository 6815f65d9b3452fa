"""Did cows with more slips fall ill more often: exposure strictly before the outcome, within strata."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from scipy import special

from store.evidence.interval import Array, Estimate, Z, log_normal
from store.evidence.power import detectable_ratio
from store.evidence.stratified import (
    Strata,
    attributable_fraction,
    clustered_log_se,
    odds_ratio,
    population_fraction,
    risk_ratio,
)
from store.evidence.trend import trend_chi2
from store.inquiry.classify import classify
from store.inquiry.intervals import Intervals

FEWEST_MILKINGS: Final = 10
"""Milkings seen before an interval tells anything of exposure (engineering choice)."""
_FEWEST_CASES: Final = 10
_FEWEST_SIDE: Final = 30
"""New infections in all, and intervals on either side, below which nothing is told (engineering choices)."""
_SEEN_SHARE: Final = 0.5
"""Share of an interval's usual milkings that must have been seen."""
_KEPT_SHARE: Final = 0.6
"""Share of the intervals at risk that must be seen well enough."""


@dataclass(frozen=True, slots=True)
class Contrast:
    """One comparison of risks: what was compared, the counts, and the pooled ratio."""

    name: str
    exposed: int
    exposed_cases: int
    unexposed: int
    unexposed_cases: int
    ratio: Estimate | None


@dataclass(frozen=True, slots=True)
class ExposureFindings:
    """The association of slips with new infections, and what speaks for and against it.

    ``pooled`` is the Mantel-Haenszel ratio over parity and days in milk, ``checks`` are other looks
    at the same question, ``detectable`` the smallest ratio these data could have shown.
    """

    definition: str
    crude: Contrast
    pooled: Estimate | None
    pooled_odds: Estimate | None
    strata: int
    attributable: Estimate | None
    population_share: float | None
    trend_p: float | None
    checks: tuple[Contrast, ...]
    detectable: float | None
    intervals: int
    cows: int

    @property
    def claimed(self) -> bool:
        """Return whether slips are associated with new infections beyond chance."""
        return self.pooled is not None and self.pooled.low > 1.0


@dataclass(frozen=True, slots=True)
class _Sides:
    """Intervals in which it is known who was exposed: 1 or 0 each, with outcome, stratum and cow."""

    exposed: Array
    case: Array
    stratum: Array
    cow: Array


def study(intervals: Intervals) -> tuple[ExposureFindings | None, list[str]]:
    """Return the association of slips with new infections, and warnings in plain words.

    Parameters
    ----------
    intervals:
        All intervals between two test days of a cow, at risk or not.
    """
    usable, warnings = _usable(intervals)
    if usable is None:
        return None, warnings
    exposure = classify(usable.slips, usable.milkings)
    if exposure is None:
        return None, [*warnings, "All cows slipped alike, so nothing can be said of exposure."]
    sides = _sides(exposure.exposed, usable, usable.strata())
    crude = _contrast("crude", replace(sides, stratum=np.zeros_like(sides.stratum)))
    if (
        min(crude.exposed, crude.unexposed) < _FEWEST_SIDE
        or crude.exposed_cases + crude.unexposed_cases < _FEWEST_CASES
    ):
        return None, [*warnings, "Too few cows or new infections on either side to compare risks."]
    pooled = _contrast("within parity and days in milk", sides).ratio
    if pooled is None:
        warnings.append("No stratum holds cases of both sides; the pooled risk ratio is not told.")
    if not usable.has_strata:
        warnings.append("Parity and days in milk are unknown; the risk ratio is not adjusted for them.")
    findings = ExposureFindings(
        definition=f"{exposure.definition}; ends a day before the outcome",
        crude=crude,
        pooled=pooled,
        pooled_odds=odds_ratio(_tables(sides)),
        strata=_tables(sides).informative,
        attributable=attributable_fraction(pooled) if pooled is not None and pooled.low > 1.0 else None,
        population_share=_population_share(crude, pooled),
        trend_p=_trend(exposure.thirds, usable),
        checks=tuple(_checks(usable, exposure.exposed)),
        detectable=detectable_ratio(
            crude.exposed, crude.unexposed, max(crude.unexposed_cases, 0.5) / crude.unexposed
        ),
        intervals=usable.slips.size,
        cows=int(np.unique(usable.cow).size),
    )
    return findings, warnings + _doubts(findings)


def _usable(intervals: Intervals) -> tuple[Intervals | None, list[str]]:
    """Return the intervals at risk whose milkings were seen well enough, or why there are too few."""
    at_risk = intervals.only(intervals.at_risk > 0.0)
    if at_risk.slips.size == 0:
        return None, ["No cow has two test days that show a new infection; exposure is not compared."]
    usual = at_risk.milkings / np.maximum(at_risk.days, 1.0)
    typical = float(np.quantile(usual, 0.9))
    seen = (usual >= _SEEN_SHARE * typical) & (at_risk.milkings >= FEWEST_MILKINGS)
    kept = at_risk.only(seen)
    if kept.slips.size < _KEPT_SHARE * at_risk.slips.size:
        share = round(100.0 * kept.slips.size / at_risk.slips.size)
        return None, [
            f"Only {share} % of the intervals between test days have enough milkings; exposure is not "
            "compared."
        ]
    return kept, []


def _sides(exposed: Array, intervals: Intervals, stratum: Array) -> _Sides:
    """Return the intervals on either side; those in between are left out."""
    told = np.isfinite(exposed)
    _, cow = np.unique(intervals.cow[told], return_inverse=True)
    return _Sides(exposed[told], intervals.infected[told], stratum[told], cow.astype(np.float64))


def _tables(sides: _Sides) -> Strata:
    """Return the two-by-two tables of the strata."""
    index = sides.stratum.astype(np.int64)
    count = int(index.max(initial=0)) + 1

    def counted(weight: Array) -> Any:
        return np.bincount(index, weight, count)

    e, c = sides.exposed, sides.case
    return Strata.of(counted(e * c), counted(e * (1 - c)), counted((1 - e) * c), counted((1 - e) * (1 - c)))


def _contrast(name: str, sides: _Sides) -> Contrast:
    """Return one comparison with limits that allow for several intervals of one cow."""
    ratio = risk_ratio(_tables(sides))
    e, c = sides.exposed, sides.case
    if ratio is not None:
        error = clustered_log_se(e, c, sides.stratum, sides.cow)
        ratio = _wider(ratio, error, int(np.unique(sides.cow).size))
    return Contrast(
        name, round(e.sum()), round((e * c).sum()), round((1 - e).sum()), round(((1 - e) * c).sum()), ratio
    )


def _wider(ratio: Estimate, error: float | None, cows: int) -> Estimate:
    """Return the ratio with whichever limits are wider: independent intervals, or clustered by cow."""
    if error is None:
        return ratio
    clustered = log_normal(ratio.value, error, quantile=float(special.stdtrit(max(cows - 1, 1), 0.975)))
    return max(ratio, clustered, key=lambda each: np.log(each.high / each.low) / Z)


def _population_share(crude: Contrast, pooled: Estimate | None) -> float | None:
    """Return the share of all cases that goes with exposure, None unless the association is beyond chance."""
    if pooled is None or pooled.low <= 1.0:
        return None
    return population_fraction(pooled, crude.exposed_cases / (crude.exposed_cases + crude.unexposed_cases))


def _trend(thirds: Array, intervals: Intervals) -> float | None:
    """Return the p value of a trend of risk over thirds of exposure, scored by their mean rates."""
    rate = intervals.slips / intervals.milkings
    levels = [level for level in (0.0, 1.0, 2.0) if (thirds == level).any()]
    cases = [intervals.infected[thirds == level].sum() for level in levels]
    totals = [(thirds == level).sum() for level in levels]
    scores = [rate[thirds == level].mean() for level in levels]
    found = trend_chi2(cases, totals, scores)
    return None if found is None else found[1]


def _checks(usable: Intervals, exposed: Array) -> Sequence[Contrast]:
    """Return other looks at the same question: what would differ if the association were something else."""
    early = usable.only(usable.early_milkings >= FEWEST_MILKINGS)
    later = usable.only(usable.next_milkings >= FEWEST_MILKINGS)
    whole = np.ones_like(usable.slips)
    looks = [
        _look("slips of the last 14 days left out", early, early.early_slips, early.early_milkings),
        _look("slips in low flow only", usable, usable.late_slips, usable.milkings),
        _look("natural experiment: how its stalls treat other cows", usable, usable.stall_rate, whole),
        _look("negative control: slips after the outcome", later, later.next_slips, later.next_milkings),
    ]
    by_day = _contrast("also within each test day", _sides(exposed, usable, usable.strata_by_test_day()))
    return [by_day, *(look for look in looks if look is not None)]


def _look(name: str, intervals: Intervals, slips: Array, milkings: Array) -> Contrast | None:
    """Return one more look, None if its data do not carry it."""
    known = np.isfinite(slips)
    if np.count_nonzero(known) < 2 * _FEWEST_SIDE:
        return None
    some = intervals.only(known)
    exposure = classify(slips[known], milkings[known])
    if exposure is None:
        return None
    contrast = _contrast(name, _sides(exposure.exposed, some, some.strata()))
    return contrast if contrast.exposed_cases + contrast.unexposed_cases >= _FEWEST_CASES else None


def _doubts(findings: ExposureFindings) -> list[str]:
    """Return what weakens an association, in plain words."""
    if not findings.claimed:
        return []
    doubts = []
    control = next((check for check in findings.checks if check.name.startswith("negative")), None)
    if control is not None and control.ratio is not None and control.ratio.low > 1.0:
        doubts.append(
            "Slips after the outcome are associated with it as well: traits of the cows themselves, or an "
            "udder already sore, may explain part of the association."
        )
    if findings.trend_p is None or findings.trend_p > 0.05:
        doubts.append("The risk does not rise steadily with the slip rate, which weakens the association.")
    return doubts
