"""When slips became more or fewer: in the whole parlor, and in single stalls.

Two bad stalls of forty hardly move the parlor's rate, so each stall is looked at too. Stalls that
changed together are dated together, which is far sharper than any of them alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Final

import numpy as np

from store.evidence.change import Change, located, log_odds, ratio_at
from store.evidence.dispersion import dispersion, widened
from store.evidence.interval import Array, Estimate
from store.evidence.scan import Found, find_changes
from store.inquiry.daily import StallDays

_ALPHA_PARLOR: Final = 0.01
_ALPHA_STALLS: Final = 0.01
"""Chance of any false change in a steady season, for each of the two searches (engineering choice)."""
_LEAST_PARLOR_RATIO: Final = 1.1
"""A change of the whole parlor smaller than this, either way, is not worth telling (engineering choice)."""
_SAME_DAYS: Final = 5
"""Changes this close are one (engineering choice) [d]."""


@dataclass(frozen=True, slots=True)
class SlipChange:
    """A change of the slip rate.

    ``day`` is the first day with the new rate, most likely; ``earliest`` and ``latest`` hold it with
    95 %. ``ratio`` is after over before, in the ``stalls`` named or, when none are, in the parlor.
    """

    day: date
    earliest: date
    latest: date
    ratio: Estimate
    stalls: tuple[int, ...]
    log_bayes_factor: float

    @property
    def rises(self) -> bool:
        """Return whether slips became more frequent."""
        return self.ratio.value > 1.0


@dataclass(frozen=True, slots=True)
class _Place:
    """A change still in column numbers, with the stalls it was seen in."""

    at: int
    low: int
    high: int
    start: int
    end: int
    rises: bool
    weight: float
    rows: tuple[int, ...]


def slip_changes(daily: StallDays) -> list[SlipChange]:
    """Return the changes of the slip rate in order of time.

    Notes
    -----
    In a steady season anything is found in at most 2 % of cases by construction; noise beyond
    counting noise is estimated and allowed for, and a slow drift is no change.
    """
    places = _merged([*_of_parlor(daily), *_of_stalls(daily)])
    told = [(place, _told(daily, place, _neighbours(places, place))) for place in places]
    return [change for place, change in told if change.ratio.excludes_one and change.rises == place.rises]


def _of_parlor(daily: StallDays) -> list[_Place]:
    """Return the changes of all stalls together."""
    y, x = daily.slips.sum(0), daily.milkings.sum(0)
    found = find_changes(y, x, phi=dispersion(y, x), alpha=_ALPHA_PARLOR)
    places = [_place(each, ()) for each in found]
    return [p for p, f in zip(places, found, strict=True) if _large(f)]


def _large(found: Found) -> bool:
    """Return whether a change of the parlor is worth telling."""
    before, after = found.change.before, found.change.after
    return max(before, after) >= _LEAST_PARLOR_RATIO * min(before, after)


def _of_stalls(daily: StallDays) -> list[_Place]:
    """Return the changes of single stalls, those near each other in time put together."""
    phi = dispersion(daily.slips, daily.milkings)
    alpha = _ALPHA_STALLS / len(daily.stalls)
    places = []
    for row in range(len(daily.stalls)):
        y, x = daily.slips[row], daily.milkings[row]
        found = find_changes(y, x, phi=phi, alpha=alpha)
        places += [_place(each, (row,)) for each in found]
    return places


def _place(found: Found, rows: tuple[int, ...]) -> _Place:
    """Return a found change with the stalls it was seen in."""
    change = found.change
    return _Place(
        at=found.at,
        low=found.low,
        high=found.high,
        start=found.start,
        end=found.end,
        rises=change.after > change.before,
        weight=change.log_bayes_factor,
        rows=rows,
    )


def _merged(places: Sequence[_Place]) -> list[_Place]:
    """Put together the changes of one direction whose times overlap, the surest first."""
    kept: list[_Place] = []
    for place in sorted(places, key=lambda each: -each.weight):
        same = next((i for i, other in enumerate(kept) if _same(place, other)), None)
        if same is None:
            kept.append(place)
        else:
            kept[same] = _joined(kept[same], place)
    return sorted(kept, key=lambda each: each.at)


def _same(place: _Place, other: _Place) -> bool:
    """Return whether two changes may be one."""
    near = place.low - _SAME_DAYS <= other.at <= place.high + _SAME_DAYS
    return place.rises == other.rises and near


def _joined(first: _Place, second: _Place) -> _Place:
    """Return two changes as one, dated by the surer."""
    rows = tuple(sorted({*first.rows, *second.rows}))
    whole = not first.rows or not second.rows
    return _Place(
        at=first.at,
        low=first.low,
        high=first.high,
        start=first.start,
        end=first.end,
        rises=first.rises,
        weight=first.weight + (0.0 if whole else second.weight),
        rows=rows,
    )


def _neighbours(places: Sequence[_Place], place: _Place) -> tuple[int, int]:
    """Return the columns of the last change before and the first after one, as far as they matter to it."""
    ats = [other.at for other in places if other is not place]
    return (
        max([place.start, *(at for at in ats if at < place.at)]),
        min([place.end, *(at for at in ats if at > place.at)]),
    )


def _told(daily: StallDays, place: _Place, stretch: tuple[int, int]) -> SlipChange:
    """Return a change in dates, dated by the stalls it was seen in or by the parlor, whichever is surer."""
    start, end = stretch
    rows = [] if _everywhere(daily, place, stretch) else list(place.rows)
    slips, milkings = daily.slips[:, start:end], daily.milkings[:, start:end]
    near = place.low - _SAME_DAYS - start, place.high + _SAME_DAYS - start
    everyone = _dated([slips.sum(0)], [milkings.sum(0)], near)
    dated = max([everyone, _dated(slips[rows], milkings[rows], near)] if rows else [everyone], key=_sureness)
    some = rows or list(range(len(daily.stalls)))
    y, x = slips[some].sum(0), milkings[some].sum(0)
    ratio = ratio_at(y, x, dated.at) or Estimate(1.0, 0.0, np.inf)
    return SlipChange(
        day=daily.day(start + dated.at),
        earliest=daily.day(start + dated.low),
        latest=daily.day(start + dated.high),
        ratio=widened(ratio, dispersion(y, x)),
        stalls=tuple(daily.stalls[row] for row in rows),
        log_bayes_factor=dated.log_bayes_factor,
    )


def _everywhere(daily: StallDays, place: _Place, stretch: tuple[int, int]) -> bool:
    """Return whether the other stalls changed the same way: then the parlor changed, not some stalls."""
    start, end = stretch
    rest = [row for row in range(len(daily.stalls)) if row not in place.rows]
    y, x = (table[rest, start:end].sum(0) for table in (daily.slips, daily.milkings))
    ratio = ratio_at(y, x, place.at - start)
    if ratio is None:
        return False
    p = widened(ratio, dispersion(y, x)).p
    return p is not None and p < _ALPHA_PARLOR and (ratio.value > 1.0) == place.rises


def _dated(slips: Array | list[Array], milkings: Array | list[Array], near: tuple[int, int]) -> Change:
    """Return the change of several series at one time, within bounds: their log odds add up."""
    y, x = np.asarray(slips), np.asarray(milkings)
    phi = dispersion(y, x)
    odds = np.zeros(y.shape[1])
    for counts, exposure in zip(y, x, strict=True):
        rate = max(float(counts.sum()), 1.0) / max(float(exposure.sum()), 1.0)
        odds += log_odds(counts / phi, exposure * rate / phi)
    odds[: max(near[0], 0)] = -np.inf
    odds[near[1] + 1 :] = -np.inf
    return located(y.sum(0), x.sum(0), odds)


def _sureness(change: Change) -> float:
    """Return how strongly a change is supported."""
    return change.log_bayes_factor
