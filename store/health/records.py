"""What a file of health records yields: facts with the line they stand in, and what was refused."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Final

from store.engine import Row
from store.schema import BULK_TANK, CLINICAL_CASE, TEST_DAY, Table

_YEARS: Final = range(1980, 2101)
HIGHEST_SCC: Final = 99_999_000
"""Largest cell count that is believed [cells/mL]; beyond it lies a slip of units (engineering choice)."""


@dataclass(frozen=True, slots=True)
class Fact:
    """One record: its table, its row in the table's columns, and where it stood in the file."""

    table: Table
    row: Row
    line: int


@dataclass(frozen=True, slots=True)
class Refusal:
    """One line that could not be used, and why."""

    line: int
    reason: str


@dataclass(slots=True)
class HealthFile:
    """All that one file says; ``withdrawn`` are records its source has deleted."""

    facts: list[Fact] = field(default_factory=list)
    refused: list[Refusal] = field(default_factory=list)
    withdrawn: list[Fact] = field(default_factory=list)
    unknown_columns: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Beside:
    """What a test-day record may say besides the cell count."""

    parity: int | None = None
    dim: int | None = None
    milk_kg: float | None = None
    group_name: str | None = None


def test_day(cow: str, day: date, scc_cells_ml: int, beside: Beside) -> Row:
    """Return the row of one cow's test day."""
    return (cow, day, scc_cells_ml, beside.parity, beside.dim, beside.milk_kg, beside.group_name)


def clinical_case(cow: str, day: date, quarter: str | None, told: tuple[str | None, str | None]) -> Row:
    """Return the row of one clinical case; ``told`` is pathogen and severity."""
    return (cow, day, quarter, *told)


def read_day(text: str) -> date:
    """Read an ISO date, or the date of an ISO instant.

    Raises
    ------
    ValueError
        When it is none, or of an impossible year.
    """
    try:
        day = datetime.fromisoformat(text.strip()).date()
    except ValueError:
        raise ValueError(f"date {text.strip() or 'is missing'} is no ISO date such as 2026-03-01") from None
    if day.year not in _YEARS:
        raise ValueError(f"date {day} is of an impossible year")
    return day


def read_number(name: str, text: str, *, low: float, high: float) -> float:
    """Read a number within bounds; a comma may stand for the point.

    Raises
    ------
    ValueError
        When it is none, or outside of them.
    """
    try:
        number = float(text.strip().replace(",", "."))
    except ValueError:
        raise ValueError(f"{name} {text.strip() or 'is missing'} is no number") from None
    if not math.isfinite(number) or not low <= number <= high:
        raise ValueError(f"{name} {text.strip()} is outside {low:g} to {high:g}")
    return number


def read_count(name: str, text: str, *, low: int, high: int) -> int:
    """Read a whole number within bounds.

    Raises
    ------
    ValueError
        When it is none, or outside of them.
    """
    number = read_number(name, text, low=low, high=high)
    if number != round(number):
        raise ValueError(f"{name} {text.strip()} is no whole number")
    return round(number)


HEALTH_TABLES: Final = (TEST_DAY, CLINICAL_CASE, BULK_TANK)
"""The tables health records go to."""
