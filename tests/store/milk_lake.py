"""A small fleet's partitions written by hand, and what a hand count finds in them."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

from store.engine import Row
from store.fleet.partitions import Origin, Place, write_rows
from store.schema import MAINTENANCE, MILKING

MARCH, APRIL = datetime(2031, 3, 31, 23, 59), datetime(2031, 4, 1, 0, 10)  # noqa: DTZ001 - as stored


def milking(parlor: str, stall: int, start: datetime, slips: int, *, complete: bool = True) -> Row:
    """Return a milking's row with a given number of slips of half a litre."""
    name = f"{parlor}-{stall}-{start:%m%d%H%M}"
    numbers = (12.0, 300.0, 2.4, 4.0, 5.0, 20.0, 42.0, 3.0)
    counts = (slips, 0.5 * slips, 0, 0.0, 0, 0, 0.0, 1.0, complete)
    return (name, parlor, stall, "7", None, None, start, start, *numbers, *counts)


def filled(out: Path) -> Path:
    """Write two parlors' milkings of two months, one of which changed its liners."""
    north = [
        milking("north", 1, MARCH, 2),
        milking("north", 2, MARCH, 4),
        milking("north", 1, APRIL, 1),
        milking("north", 2, APRIL, 0),
        milking("north", 2, APRIL.replace(hour=5), 50, complete=False),
    ]
    changes: list[Row] = [
        (datetime(2031, 1, 1), None, "liners changed", "round"),  # noqa: DTZ001 - as stored
        (datetime(2031, 4, 1), 1, "liners changed", "square"),  # noqa: DTZ001 - as stored
        (datetime(2031, 4, 1), 2, "hose supports adjusted", "square"),  # noqa: DTZ001 - as stored
    ]
    write_rows({MILKING.name: north, MAINTENANCE.name: changes}, Place(out, "north", "told"), Origin(2, "ab"))
    write_rows({MILKING.name: [milking("007", 1, APRIL, 3)]}, Place(out, "007", "told"), Origin(2, "ab"))
    return out


COUNTED = [
    ("007", "unknown", "2031-04", 1, 3, 300.0, 1.5),
    ("north", "round", "2031-03", 2, 6, 300.0, 3.0),
    ("north", "round", "2031-04", 1, 0, 0.0, 0.0),
    ("north", "square", "2031-04", 1, 1, 100.0, 0.5),
]
"""Parlor, liner, month, complete milkings, slips, slips per 100, litres: counted by hand."""
