"""How often the unit's weight was carried: by week, shift and stall, before and after a training day.

It shows habits of a parlor, never of a person; cells of few milkings are hidden.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Final

import duckdb

from store.inquiry.daily import Period

FEWEST_MILKINGS: Final = 20
"""Milkings of a cell below which it is hidden."""
_CELLS: Final = """
SELECT {cell} AS cell, sum(milkings), sum(carried) FROM support_practice
WHERE parlor = $1 AND week >= $2 AND week < $3 GROUP BY 1 ORDER BY 1
"""
_ANY: Final = "SELECT count(*) FROM support_event WHERE parlor = $1"
_TRAINING: Final = """
SELECT max("at")::DATE FROM maintenance WHERE what ILIKE '%training%' AND "at" < $1
"""


@dataclass(frozen=True, slots=True)
class SupportCell:
    """One cell: its name, milkings, and the share of them with the unit carried; None when hidden."""

    name: str
    milkings: int
    carried: float | None


@dataclass(frozen=True, slots=True)
class SupportPractice:
    """Support of the units over time, shifts and stalls; before and after the last training day."""

    weeks: tuple[SupportCell, ...]
    shifts: tuple[SupportCell, ...]
    stalls: tuple[SupportCell, ...]
    training: date | None
    before: SupportCell | None
    after: SupportCell | None


def read_support(reader: duckdb.DuckDBPyConnection, parlor: str, whole: Period) -> SupportPractice | None:
    """Return the support practice of a parlor, None when no unit was ever seen unsupported."""
    (seen,) = reader.execute(_ANY, [parlor]).fetchall()[0]
    weeks = _cells(reader, "week", parlor, whole)
    if not seen and all(cell.carried in (None, 1.0) for cell in weeks):
        return None
    (training,) = reader.execute(_TRAINING, [whole.end]).fetchall()[0]
    before, after = None, None
    if training is not None and whole.start < training < whole.end:
        before = _total("before", _cells(reader, "week", parlor, Period(whole.start, training)))
        after = _total("after", _cells(reader, "week", parlor, Period(training, whole.end)))
    return SupportPractice(
        weeks=weeks,
        shifts=_cells(reader, "shift", parlor, whole),
        stalls=_cells(reader, "stall", parlor, whole),
        training=training,
        before=before,
        after=after,
    )


def _cells(
    reader: duckdb.DuckDBPyConnection, column: str, parlor: str, period: Period
) -> tuple[SupportCell, ...]:
    """Return the cells of one column of the view."""
    sql = _CELLS.replace("{cell}", column)  # one of three names of our own
    rows = reader.execute(sql, [parlor, period.start, period.end]).fetchall()
    return tuple(
        SupportCell(str(name), int(n), float(carried) / float(n) if n >= FEWEST_MILKINGS else None)
        for name, n, carried in rows
    )


def _total(name: str, cells: tuple[SupportCell, ...]) -> SupportCell:
    """Return several cells as one."""
    shown = [cell for cell in cells if cell.carried is not None]
    milkings = sum(cell.milkings for cell in shown)
    carried = sum(cell.milkings * (cell.carried or 0.0) for cell in shown)
    return SupportCell(name, milkings, carried / milkings if milkings else None)
