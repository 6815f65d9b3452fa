"""What was found, in plain sentences: each with how sure it is, none of them a claim of cause."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from store.evidence.interval import Estimate
from store.evidence.rates import rate_ratio
from store.inquiry.compare import Comparison
from store.inquiry.decompose import TestDay
from store.inquiry.investigate import Investigation
from store.inquiry.windows import Windows


class Sureness(StrEnum):
    """How far a sentence may be trusted."""

    FIRM = "beyond chance"
    OPEN = "not beyond chance"
    UNKNOWN = "cannot be told"
    COUNTED = "as counted"
    BOUND = "an upper bound, not a finding"


@dataclass(frozen=True, slots=True)
class Sentence:
    """One finding in words."""

    text: str
    sureness: Sureness


_NOTHING_FOUND: Final = (
    "Finding nothing does not clear the machine: a cell count of 200 000 in a cow's mixed milk misses many "
    "infected quarters, so a true association looks weaker than it is."
)


def sentences(found: Investigation) -> list[Sentence]:
    """Return what is known of a rise and how sure it is: the cows first, before slips are looked at."""
    return [*_tank(found), _rate(found), *_changes(found), _stalls(found), *_exposure(found)]


def interval(each: Estimate, digits: int = 2) -> str:
    """Return a ratio with its limits in words."""
    return f"{each.value:.{digits}f} (95 % interval {each.low:.{digits}f} to {each.high:.{digits}f})"


def verdict(found: Comparison) -> str:
    """Return the one plain sentence on a remedy."""
    what = f"the change of {found.changed}" + (f" ({found.what})" if found.what else "")
    control, rise = found.controlled, found.rise
    if control is not None:
        times = f"{interval(control)} times that before"
        against = f"Against the untreated stalls, the slip rate after {what} is {times}"
        if control.high < 1.0:
            return f"{against}: {what} is associated with fewer slips."
        if control.low > 1.0:
            return f"{against}: {what} is associated with more slips."
        return f"{against}: no difference beyond chance."
    if rise is not None and rise.wide is not None:
        return (
            f"After {what} the slip rate is {interval(rise.wide)} times that before; without untreated "
            "stalls to compare with, this says nothing of the change itself."
        )
    return f"The data cannot say whether {what} is associated with another slip rate."


def _rate(found: Investigation) -> Sentence:
    rise = found.rise
    if rise is None or rise.wide is None:
        return Sentence("Slip rates before and after cannot be compared.", Sureness.UNKNOWN)
    before, after = rise.before.per_100 or 0.0, rise.after.per_100 or 0.0
    text = (
        f"Slips went from {before:.1f} to {after:.1f} in 100 milkings, a ratio of {interval(rise.wide)}; "
        f"{rise.before.slips} slips in {rise.before.milkings} milkings before, {rise.after.slips} in "
        f"{rise.after.milkings} after."
    )
    return Sentence(text, Sureness.FIRM if rise.wide.excludes_one else Sureness.OPEN)


def _changes(found: Investigation) -> list[Sentence]:
    if not found.changes:
        return (
            [Sentence("No day stands out on which the slip rate changed.", Sureness.OPEN)]
            if found.daily
            else []
        )
    told = []
    for change in found.changes:
        where = f"in {_listed('stall', change.stalls)}" if change.stalls else "in the parlor"
        told.append(
            Sentence(
                f"The slip rate {'rose' if change.rises else 'fell'} {where} on about {change.day} (between "
                f"{change.earliest} and {change.latest}), by a factor of {interval(change.ratio)}.",
                Sureness.FIRM,
            )
        )
    return told


def _stalls(found: Investigation) -> Sentence:
    if not found.stalls.units:
        return Sentence("Stalls cannot be compared.", Sureness.UNKNOWN)
    worst = found.stalls.outliers
    if not worst:
        return Sentence("No stall slips more than chance and ordinary differences explain.", Sureness.OPEN)
    named = _listed("stall", tuple(int(unit.name) for unit in worst))
    factors = ", ".join(
        f"{unit.ratio:.1f} ({unit.low:.1f} to {unit.high:.1f})" for unit in worst if unit.ratio
    )
    verb = "slips" if len(worst) == 1 else "slip"
    return Sentence(
        f"{named[0].upper()}{named[1:]} {verb} more than expected, by {factors} times; let a technician look "
        "there first.",
        Sureness.FIRM,
    )


def _exposure(found: Investigation) -> list[Sentence]:
    exposure = found.exposure
    if exposure is None or exposure.pooled is None:
        return [
            Sentence("Whether cows with more slips fell ill more often cannot be told.", Sureness.UNKNOWN)
        ]
    counts = exposure.crude
    text = (
        f"Of the cows with more slips {counts.exposed_cases} in {counts.exposed} intervals between test days "
        f"were newly infected, of those with fewer {counts.unexposed_cases} in {counts.unexposed}; within "
        f"parity and days in milk the ratio of risks is {interval(exposure.pooled)}."
    )
    if exposure.claimed:
        told = [Sentence(f"{text} More slips are associated with new infections.", Sureness.FIRM)]
        if exposure.attributable is not None:
            share = exposure.attributable
            told.append(
                Sentence(
                    f"If the association were causal, at most {100 * share.value:.0f} % "
                    f"({100 * share.low:.0f} to {100 * share.high:.0f} %) of the new infections among cows "
                    "with more slips would go with the slips.",
                    Sureness.BOUND,
                )
            )
        return told
    can = (
        ""
        if exposure.detectable is None
        else f" Data of this size would show a ratio of {exposure.detectable:.1f} or more."
    )
    return [Sentence(f"{text} No association beyond chance.{can} {_NOTHING_FOUND}", Sureness.OPEN)]


def _tank(found: Investigation) -> list[Sentence]:
    parts = found.decomposition
    if parts is None or not parts.tank:
        return []
    cow, share = parts.tank[0]
    last = parts.test_days[-1]
    text = (
        f"At the last test day {last.high} of {last.tested} cows were high: {last.new} new, {last.chronic} "
        f"chronic, {last.first_test_high} at their first test. Cow {cow} alone holds {100 * share:.0f} % "
        "of the cells."
    )
    return [Sentence(text, Sureness.COUNTED), *_new(parts.test_days, found.windows)]


def _new(test_days: Sequence[TestDay], windows: Windows | None) -> list[Sentence]:
    """Return how new infections of the period compare with those of the baseline."""
    if windows is None:
        return []
    before, after = (
        [day for day in test_days if each.start <= day.day < each.end]
        for each in (windows.baseline, windows.period)
    )
    counts = [(sum(d.new for d in days), sum(d.at_risk for d in days)) for days in (before, after)]
    ratio = rate_ratio(*counts[1], *counts[0])
    if ratio is None or ratio.high == math.inf:
        return []
    text = (
        f"Newly high were {counts[0][0]} of {counts[0][1]} cows at risk before and {counts[1][0]} of "
        f"{counts[1][1]} in the period, a ratio of {interval(ratio)}."
    )
    return [Sentence(text, Sureness.FIRM if ratio.excludes_one else Sureness.OPEN)]


def _listed(word: str, numbers: tuple[int, ...]) -> str:
    """Return numbered things in words."""
    plural = "" if len(numbers) == 1 else "s"
    return f"{word}{plural} {', '.join(map(str, numbers))}"
