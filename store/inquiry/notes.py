"""What people noted: which stalls were worked on, and when."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from typing import Final

import duckdb

_NOTES: Final = 'SELECT "at", stall, what FROM maintenance ORDER BY "at", stall NULLS FIRST, what'


@dataclass(frozen=True, slots=True)
class Work:
    """One piece of work: when, what, and on which stalls (none named: all)."""

    at: datetime
    what: str
    stalls: tuple[int, ...]


def read_work(reader: duckdb.DuckDBPyConnection) -> list[Work]:
    """Return the noted work in order of time, stalls noted together put together."""
    together: dict[tuple[datetime, str], list[int]] = {}
    for at, stall, what in reader.execute(_NOTES).fetchall():
        stalls = together.setdefault((at, what), [])
        if stall is not None:
            stalls.append(stall)
    return [Work(at, what, tuple(stalls)) for (at, what), stalls in together.items()]


def first_worked(work: list[Work]) -> dict[int, date]:
    """Return the first day each stall was worked on by itself."""
    first: dict[int, date] = {}
    for each in work:
        for stall in each.stalls:
            first.setdefault(stall, each.at.date())
    return first
