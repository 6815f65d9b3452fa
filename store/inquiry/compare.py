"""Did a remedy work: the treated stalls before and after, against the stalls that were left alone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import Final

import numpy as np

from detect.errors import InputError
from store.evidence.contrast import Arms, controlled_ratio, own_way
from store.evidence.interval import Array, Estimate
from store.evidence.series import Step, interrupted
from store.history import History
from store.inquiry.changes import SlipChange, slip_changes
from store.inquiry.daily import Period, StallDays, completeness, parlors, read_stall_days
from store.inquiry.notes import Work, read_work
from store.inquiry.rise import Rise, compare_periods
from store.inquiry.units import judge

SETTLING_DAYS: Final = 7
"""Days after a remedy that are left out: people and parts settle in (engineering choice)."""
_LONGEST_DAYS: Final = 90
_SHORTEST_DAYS: Final = 7


@dataclass(frozen=True, slots=True)
class Comparison:
    """What was found of a remedy; what the data cannot carry is None, and ``warnings`` say why."""

    parlor: str
    changed: datetime | date
    what: str | None
    treated: tuple[int, ...]
    untreated: tuple[int, ...]
    excluded: tuple[int, ...]
    before: Period | None
    after: Period | None
    rise: Rise | None
    controlled: Estimate | None
    step: Step | None
    daily: StallDays | None
    warnings: tuple[str, ...]


def compare(
    history: History, *, changed: date | None, stalls: Sequence[int] | None = None, parlor: str | None = None
) -> Comparison:
    """Compare slips before and after a remedy.

    Parameters
    ----------
    history:
        The history, open for reading or writing.
    changed:
        The day of the remedy; the last one noted for some stalls unless given.
    stalls:
        The stalls treated; those noted for that day unless given, or else all.
    parlor:
        Which parlor; the one with most milkings unless given.

    Raises
    ------
    InputError
        When there is no remedy to compare, or a stall named was never seen.
    """
    reader = history.reader()
    try:
        known = parlors(reader)
        if parlor is not None and parlor not in known:
            raise InputError(f"no milkings of parlor {parlor}; there is {', '.join(known) or 'none at all'}")
        chosen = parlor or (known[0] if known else "")
        work = read_work(reader)
        day, treated, what = _remedy(work, changed, stalls)
        daily = read_stall_days(reader, chosen)
    finally:
        reader.close()
    if daily is None:
        text = "There are no milkings in the history, so nothing can be said."
        return Comparison(chosen, day, what, treated, (), (), None, None, None, None, None, None, (text,))
    return _compared(daily, day, treated, what)


def _remedy(
    work: Sequence[Work], changed: date | None, stalls: Sequence[int] | None
) -> tuple[date, tuple[int, ...], str | None]:
    """Return the day of the remedy, the stalls treated (none: all) and what was done."""
    if changed is None:
        noted = [each for each in work if each.stalls]
        if not noted:
            raise InputError("no work on single stalls was noted; give the day", where="--changed")
        changed = noted[-1].at.date()
    same_day = [each for each in work if each.at.date() == changed]
    named = tuple(sorted({stall for each in same_day for stall in each.stalls}))
    what = "; ".join(dict.fromkeys(each.what for each in same_day)) or None
    return changed, tuple(sorted(set(stalls))) if stalls is not None else named, what


def _compared(daily: StallDays, day: date, treated: tuple[int, ...], what: str | None) -> Comparison:
    """Return the comparison of a record that holds milkings."""
    warnings: list[str] = []
    unknown = sorted(set(treated) - set(daily.stalls))
    if unknown:
        raise InputError(f"stall {unknown[0]} has no milkings", where="--stalls")
    sides = treated or daily.stalls
    rows = np.isin(daily.stalls, sides)
    changes = slip_changes(daily)
    before, after = _windows(daily, day, changes)
    untreated = tuple(s for s in daily.stalls if s not in sides)
    bare = Comparison(
        daily.parlor, day, what, sides, untreated, (), before, after, None, None, None, daily, ()
    )  # fmt: skip
    if not _carried(daily, before, after, warnings):
        return replace(bare, warnings=tuple(warnings))
    arms = _arms(daily, before, after, rows)
    odd = own_way(arms) | np.isin(
        daily.stalls, _changed_otherwise(changes, day, Period(before.start, after.end))
    )
    excluded = tuple(s for s, out in zip(daily.stalls, odd, strict=True) if out)
    controlled = controlled_ratio(arms.only(np.flatnonzero(~odd))) if untreated else None
    _doubt(daily, warnings, (before, rows, excluded), controlled)
    chosen = [int(i) for i in np.flatnonzero(rows & ~odd)]
    rise = compare_periods(daily, before, after, chosen)
    if rise.exact is None:
        warnings.append("Too few slips before and after to give the ratio of their rates.")
    step = _step(daily, chosen, (before, after), day)
    return replace(
        bare, excluded=excluded, rise=rise, controlled=controlled, step=step, warnings=tuple(warnings)
    )


def _windows(daily: StallDays, day: date, changes: Sequence[SlipChange]) -> tuple[Period, Period]:
    """Return the days before the remedy, and after it once it has settled, cut at changes of the parlor."""
    whole, settled = daily.whole, day + timedelta(days=SETTLING_DAYS)
    span, shortest = timedelta(days=_LONGEST_DAYS), timedelta(days=2 * _SHORTEST_DAYS)
    others = [change.day for change in changes if not change.stalls]
    start = max([whole.start, day - span, *(d for d in others if d <= day - shortest)])
    end = min([whole.end, settled + span, *(d for d in others if d >= settled + shortest)])
    return Period(min(start, day), day), Period(settled, max(end, settled))


def _changed_otherwise(changes: Sequence[SlipChange], day: date, compared: Period) -> list[int]:
    """Return the stalls that changed in the days compared at another time than the remedy's."""
    near = timedelta(days=2 * SETTLING_DAYS)
    return [
        stall
        for change in changes
        if compared.start < change.day < compared.end and abs(change.day - day) > near
        for stall in change.stalls
    ]


def _carried(daily: StallDays, before: Period, after: Period, warnings: list[str]) -> bool:
    """Return whether both sides were seen well enough, warning otherwise."""
    for name, period in (("before", before), ("after", after)):
        seen = completeness(daily, period)
        if seen.days < _SHORTEST_DAYS or not seen.carries or seen.complete == 0:
            warnings.append(
                f"Too little was seen {name} the change: {seen.days_with_data} of {seen.days} days with "
                "milkings."
            )
    return not warnings


def _arms(daily: StallDays, before: Period, after: Period, rows: Array) -> Arms:
    """Return counts and exposures of each stall on both sides."""
    b, a = daily.columns(before), daily.columns(after)
    return Arms(
        before=daily.slips[:, b].sum(1),
        before_exposure=np.maximum(daily.milkings[:, b].sum(1), 1e-9),
        after=daily.slips[:, a].sum(1),
        after_exposure=np.maximum(daily.milkings[:, a].sum(1), 1e-9),
        treated=rows.astype(np.float64),
    )


def _doubt(
    daily: StallDays,
    warnings: list[str],
    sides: tuple[Period, Array, tuple[int, ...]],
    controlled: Estimate | None,
) -> None:
    """Warn of what weakens the comparison."""
    before, rows, excluded = sides
    if rows.all():
        warnings.append(
            "All stalls were treated, so nothing tells the remedy from anything else that changed."
        )
    elif controlled is None:
        warnings.append("Too few stalls or slips on one side for a comparison with the untreated stalls.")
    if excluded:
        named = ", ".join(map(str, excluded))
        warnings.append(
            f"Stalls that changed at another time or quite unlike the others are left out: {named}."
        )
    names = [str(stall) for stall in daily.stalls]
    columns = daily.columns(before)
    worst = judge(names, daily.slips[:, columns], daily.milkings[:, columns]).outliers
    treated_worst = [unit.name for unit in worst if rows[names.index(unit.name)]]
    if treated_worst and rows.sum() <= 2 * len(treated_worst):
        warnings.append(
            "The treated stalls were the worst before; part of their fall is regression to the mean."
        )


def _step(daily: StallDays, rows: list[int], sides: tuple[Period, Period], day: date) -> Step | None:
    """Return the step of the treated stalls' rate beside a trend, by days."""
    columns = [k for side in sides for k in range(daily.columns(side).start, daily.columns(side).stop)]
    x = daily.milkings[np.ix_(rows, columns)].sum(0)
    y = daily.slips[np.ix_(rows, columns)].sum(0)
    seen = np.flatnonzero(x > 0.0)
    at = int(np.count_nonzero(np.asarray(columns)[seen] < (day - daily.first).days))
    if y[seen[:at]].sum() <= 0.0 or y[seen[at:]].sum() <= 0.0:
        return None
    return interrupted(y[seen], x[seen], step_at=at, lags=7)
