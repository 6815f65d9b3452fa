"""The history day by day: complete milkings and slips of each stall, the ground of every rate."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from typing import Final

import duckdb
import numpy as np

from store.evidence.interval import Array, floats

_PARLORS: Final = "SELECT parlor, count(*) AS n FROM milking GROUP BY parlor ORDER BY n DESC, parlor"
_DAILY: Final = """
SELECT
    stall, start_at::DATE AS day,
    count(*) AS seen,
    count(*) FILTER (complete) AS milkings,
    coalesce(sum(slips) FILTER (complete), 0) AS slips,
    coalesce(sum(unsupported_s::DECIMAL(18, 3)) FILTER (complete), 0) AS unsupported_s,
    coalesce(sum(unit_on_s::DECIMAL(18, 3)) FILTER (complete), 0) AS unit_on_s
FROM milking WHERE parlor = $1 GROUP BY ALL ORDER BY ALL
"""
_FIGURES: Final = ("seen", "milkings", "slips", "unsupported_s", "unit_on_s")


@dataclass(frozen=True, slots=True)
class Period:
    """Days from ``start`` to before ``end`` (half open)."""

    start: date
    end: date

    @property
    def days(self) -> int:
        """Return the number of days."""
        return max(0, (self.end - self.start).days)


@dataclass(frozen=True, slots=True)
class StallDays:
    """What each stall did on each UTC day; arrays of shape (stalls, days).

    ``seen`` counts all milkings, ``milkings`` the complete ones; slips and times are of the complete.
    """

    parlor: str
    first: date
    stalls: tuple[int, ...]
    seen: Array
    milkings: Array
    slips: Array
    unsupported_s: Array
    unit_on_s: Array

    @property
    def whole(self) -> Period:
        """Return from the first to after the last day with a milking."""
        return Period(self.first, self.day(self.milkings.shape[1]))

    def day(self, index: int) -> date:
        """Return the day of a column."""
        return self.first + timedelta(days=index)

    def columns(self, period: Period) -> slice:
        """Return the columns of a period, cut to what there is."""
        count = self.milkings.shape[1]
        start, end = ((day - self.first).days for day in (period.start, period.end))
        return slice(min(max(start, 0), count), min(max(end, 0), count))


@dataclass(frozen=True, slots=True)
class Completeness:
    """How much of a period was seen: days with milkings of all its days, complete milkings of all."""

    days: int
    days_with_data: int
    milkings: int
    complete: int

    @property
    def day_share(self) -> float:
        """Return the share of days with data."""
        return self.days_with_data / self.days if self.days else 0.0

    @property
    def complete_share(self) -> float:
        """Return the share of complete milkings."""
        return self.complete / self.milkings if self.milkings else 0.0

    @property
    def carries(self) -> bool:
        """Return whether figures of the period can be trusted to stand for it."""
        return self.day_share >= 0.6 and self.complete_share >= 0.5


def parlors(reader: duckdb.DuckDBPyConnection) -> list[str]:
    """Return the parlors of a history, the one with most milkings first."""
    return [str(name) for name, _ in reader.execute(_PARLORS).fetchall()]


def read_stall_days(reader: duckdb.DuckDBPyConnection, parlor: str) -> StallDays | None:
    """Return the days of a parlor's stalls, None without any milking."""
    found = reader.execute(_DAILY, [parlor]).fetchnumpy()
    if found["stall"].size == 0:
        return None
    stalls, row = np.unique(np.asarray(found["stall"]), return_inverse=True)
    days = np.asarray(found["day"]).astype("datetime64[D]")
    column = (days - days.min()).astype(np.int64)
    tables = []
    for figure in _FIGURES:
        table = np.zeros((stalls.size, int(column.max()) + 1))
        table[row, column] = floats(found[figure])
        tables.append(table)
    first = days.min().astype(date)
    return StallDays(parlor, first, tuple(int(stall) for stall in stalls), *tables)


def completeness(daily: StallDays, period: Period) -> Completeness:
    """Return how much of a period was seen."""
    columns = daily.columns(period)
    complete = daily.milkings[:, columns]
    return Completeness(
        days=period.days,
        days_with_data=int(np.count_nonzero(complete.sum(0))),
        milkings=round(float(daily.seen[:, columns].sum())),
        complete=round(float(complete.sum())),
    )
