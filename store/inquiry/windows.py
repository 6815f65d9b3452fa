"""Which days are compared with which: the period asked for or found, and its baseline."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Final

from store.inquiry.changes import SlipChange
from store.inquiry.daily import Period, StallDays
from store.inquiry.spike import Spike

_BASELINE_DAYS: Final = 90
"""Longest baseline [d]: cows and weather are others before (engineering choice)."""
_ASKED_DAYS: Final = 30
"""Days looked into when only their end is given [d] (engineering choice)."""
_LEAD_DAYS: Final = 60
"""How long before a spike a change of the slip rate still belongs to it [d] (engineering choice)."""
_SHORTEST_DAYS: Final = 14
"""Shortest stretch that is worth a period of its own [d] (engineering choice)."""


@dataclass(frozen=True, slots=True)
class Windows:
    """The period looked into, the baseline before it, and why they were taken."""

    period: Period
    baseline: Period
    reason: str


def asked(daily: StallDays, start: date | None, end: date | None) -> Windows:
    """Return the windows for dates a person gave; an open end is that of the record."""
    whole = daily.whole
    first = start or max(whole.start, (end or whole.end) - timedelta(days=_ASKED_DAYS))
    last = end or max(whole.end, first)
    first = min(first, last)
    baseline = Period(max(min(whole.start, first), first - timedelta(days=_BASELINE_DAYS)), first)
    return Windows(Period(first, last), baseline, "the dates given")


def found(daily: StallDays, changes: Sequence[SlipChange], spike: Spike | None) -> Windows:
    """Return the windows around the rise found: of slips, or else of cell counts, or else two halves."""
    whole = daily.whole
    rise = _rise(changes, spike)
    if rise is not None:
        return Windows(*_around(rise.day, changes, whole), f"slips rose on {rise.day}")
    if spike is not None and whole.start < spike.day < whole.end:
        return Windows(*_around(spike.day, changes, whole), f"cell counts rose on {spike.day}")
    middle = whole.start + timedelta(days=whole.days // 2)
    return Windows(
        Period(middle, whole.end),
        Period(whole.start, middle),
        "no rise was found: the later half of the record against the earlier",
    )


def _rise(changes: Sequence[SlipChange], spike: Spike | None) -> SlipChange | None:
    """Return the rise of slips to look into: the last one before a spike, or the surest."""
    rises = [change for change in changes if change.rises]
    if spike is not None:
        lead = timedelta(days=_LEAD_DAYS)
        leading = [change for change in rises if spike.day - lead <= change.day <= spike.day]
        if leading:
            return leading[-1]
    return max(rises, key=lambda change: change.log_bayes_factor, default=None)


def _around(day: date, changes: Sequence[SlipChange], whole: Period) -> tuple[Period, Period]:
    """Return the steady stretches after and before a day, cut at other changes."""
    shortest = timedelta(days=_SHORTEST_DAYS)
    later = [change.day for change in changes if change.day >= day + shortest]
    earlier = [change.day for change in changes if change.day <= day - shortest]
    start = max([whole.start, day - timedelta(days=_BASELINE_DAYS), *earlier])
    return Period(day, min([whole.end, *later])), Period(min(start, day), day)
