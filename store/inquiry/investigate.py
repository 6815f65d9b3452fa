"""The whole question after a rise in cell count, answered step by step and gated by completeness."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Final

from detect.errors import InputError
from store.history import History
from store.inquiry.changes import SlipChange, slip_changes
from store.inquiry.daily import (
    Completeness,
    Period,
    StallDays,
    completeness,
    parlors,
    read_stall_days,
)
from store.inquiry.decompose import Decomposition, decompose
from store.inquiry.exposure import ExposureFindings, study
from store.inquiry.intervals import read_intervals
from store.inquiry.notes import Work, first_worked, read_work
from store.inquiry.rise import Rise, compare_periods
from store.inquiry.spike import Spike, find_spike
from store.inquiry.support import SupportPractice, read_support
from store.inquiry.units import Judged, UnitFigures, judge_stalls, read_groups, read_milkers
from store.inquiry.windows import Windows, asked, found

_EXTENT: Final = (
    "SELECT min(date), max(date) FROM (SELECT date FROM test_day UNION ALL SELECT date FROM bulk_tank)"
)
_DETECTORS: Final = """
SELECT DISTINCT detector FROM air_event WHERE parlor = $1 AND start_at >= $2 AND start_at < $3 ORDER BY 1
"""
_NONE: Final = Judged((), 1.0, 0.0)


@dataclass(frozen=True, slots=True)
class Investigation:
    """All that was found; what the data cannot carry is None, and ``warnings`` say why."""

    parlor: str
    windows: Windows | None
    record: Completeness | None
    period: Completeness | None
    baseline: Completeness | None
    spike: Spike | None
    rise: Rise | None
    changes: tuple[SlipChange, ...]
    stalls: Judged
    groups: Judged
    milkers: tuple[UnitFigures, ...]
    exposure: ExposureFindings | None
    decomposition: Decomposition | None
    support: SupportPractice | None
    work: tuple[Work, ...]
    detectors: tuple[str, ...]
    daily: StallDays | None
    warnings: tuple[str, ...]


def investigate(
    history: History, *, start: date | None = None, end: date | None = None, parlor: str | None = None
) -> Investigation:
    """Look into a rise of cell counts.

    Parameters
    ----------
    history:
        The history, open for reading or writing.
    start, end:
        The days to look into, end not included; found from the record unless given.
    parlor:
        Which parlor; the one with most milkings unless given.

    Raises
    ------
    InputError
        When the dates are the wrong way round or there is no such parlor.
    """
    if start is not None and end is not None and start >= end:
        raise InputError(f"the period from {start} to {end} holds no day")
    return _Inquiry(history, parlor).run(start, end)


class _Inquiry:
    """One investigation while it goes on: the open reader and the warnings so far."""

    def __init__(self, history: History, parlor: str | None) -> None:
        self._reader = history.reader()
        self.warnings: list[str] = []
        self.parlor = self._chosen(parlor)

    def run(self, start: date | None, end: date | None) -> Investigation:
        """Return what was found, closing the reader."""
        try:
            daily = read_stall_days(self._reader, self.parlor)
            spike = find_spike(self._reader)
            return self._empty(spike) if daily is None else self._full(daily, spike, start, end)
        finally:
            self._reader.close()

    def _chosen(self, parlor: str | None) -> str:
        known = parlors(self._reader)
        if parlor is not None and parlor not in known:
            raise InputError(f"no milkings of parlor {parlor}; there is {', '.join(known) or 'none at all'}")
        if parlor is None and len(known) > 1:
            self.warnings.append(f"The history holds several parlors; only {known[0]} is looked into.")
        return parlor or (known[0] if known else "")

    def _empty(self, spike: Spike | None) -> Investigation:
        """Return an investigation of nothing."""
        return Investigation(
            self.parlor, None, None, None, None, spike, None, (), _NONE, _NONE, (), None, None, None,
            work=tuple(read_work(self._reader)), detectors=(), daily=None,
            warnings=("There are no milkings in the history, so nothing can be said.",),
        )  # fmt: skip

    def _full(
        self, daily: StallDays, spike: Spike | None, start: date | None, end: date | None
    ) -> Investigation:
        record = completeness(daily, self._extent(daily.whole))
        changes = self._changes(daily, record)
        given = start is not None or end is not None
        windows = asked(daily, start, end) if given else found(daily, changes, spike)
        seen, before = (completeness(daily, each) for each in (windows.period, windows.baseline))
        self._warn(record, seen, before)
        work = read_work(self._reader)
        return Investigation(
            parlor=self.parlor,
            windows=windows,
            record=record,
            period=seen,
            baseline=before,
            spike=spike,
            rise=self._rise(daily, windows, seen, before),
            changes=tuple(changes),
            stalls=self._stalls(daily, windows.period, seen, work),
            groups=read_groups(self._reader, self.parlor, windows.period) if seen.carries else _NONE,
            milkers=read_milkers(self._reader, self.parlor, windows.period) if seen.carries else (),
            exposure=self._exposure(record),
            decomposition=decompose(self._reader, windows.period, windows.baseline),
            support=read_support(self._reader, self.parlor, daily.whole),
            work=tuple(work),
            detectors=self._detectors(windows),
            daily=daily,
            warnings=tuple(self.warnings),
        )

    def _extent(self, milked: Period) -> Period:
        """Return the days from the first to the last record of any kind."""
        first, last = self._reader.execute(_EXTENT).fetchall()[0]
        if first is None:
            return milked
        return Period(min(milked.start, first), max(milked.end, last))

    def _changes(self, daily: StallDays, record: Completeness) -> list[SlipChange]:
        if not record.carries:
            self.warnings.append("Too much of the record is missing to date a change of the slip rate.")
            return []
        return slip_changes(daily)

    def _warn(self, record: Completeness, seen: Completeness, before: Completeness) -> None:
        for name, part in (("record", record), ("period", seen), ("baseline", before)):
            if part.day_share < 0.9:
                self.warnings.append(
                    f"The {name} has milkings on {part.days_with_data} of {part.days} days only."
                )
            if part.milkings and part.complete_share < 0.9:
                share = round(100.0 * part.complete_share)
                self.warnings.append(f"Only {share} % of the milkings of the {name} were seen completely.")

    def _rise(
        self, daily: StallDays, windows: Windows, seen: Completeness, before: Completeness
    ) -> Rise | None:
        if not (seen.carries and before.carries):
            self.warnings.append("Too little was seen before or after to compare slip rates.")
            return None
        rise = compare_periods(daily, windows.baseline, windows.period)
        if rise.exact is None:
            self.warnings.append("Too few slips before and after to give the ratio of their rates.")
        return rise

    def _stalls(self, daily: StallDays, period: Period, seen: Completeness, work: list[Work]) -> Judged:
        if not seen.carries:
            self.warnings.append("Too little of the period was seen to judge stalls.")
            return _NONE
        judged = judge_stalls(daily, period, first_worked(work))
        unjudged = sum(unit.outlier is None for unit in judged.units)
        if unjudged:
            self.warnings.append(f"{unjudged} stalls have too few milkings or slips expected to be judged.")
        return judged

    def _exposure(self, record: Completeness) -> ExposureFindings | None:
        intervals = read_intervals(self._reader, self.parlor)
        if intervals.slips.size == 0:
            self.warnings.append(
                "No test days of the milked cows were imported; new infections are not compared."
            )
            return None
        if not record.carries:
            self.warnings.append("Too much of the record is missing to compare new infections.")
            return None
        findings, warnings = study(intervals)
        self.warnings += warnings
        return findings

    def _detectors(self, windows: Windows) -> tuple[str, ...]:
        bounds = [self.parlor, windows.baseline.start, windows.period.end]
        names = tuple(str(name) for (name,) in self._reader.execute(_DETECTORS, bounds).fetchall())
        if len(names) > 1:
            self.warnings.append(
                "The detector or its parameters changed within these days; replay the captures before "
                "comparing rates."
            )
        return names
