"""Who makes up the cell count: new, chronic and fresh cows, classes of cows, and one cow's share of the tank.

A rise that one chronic cow or a batch of fresh heifers explains needs no slip to explain it.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Final

import duckdb

from store.exposure import HIGH_SCC
from store.inquiry.daily import Period

_BY_DAY: Final = (
    "SELECT date, tested, high, at_risk, new, chronic, first_test_high FROM new_infection ORDER BY date"
)
_BY_CLASS: Final = """
WITH classed AS (
    SELECT date, scc_cells_ml >= {high} AS high, unnest([
        CASE WHEN parity IS NULL THEN NULL WHEN parity >= 3 THEN 'parity 3+' ELSE 'parity ' || parity END,
        CASE WHEN dim IS NULL THEN NULL WHEN dim <= 30 THEN 'fresh (to 30 days)'
            WHEN dim <= 100 THEN 'to 100 days' WHEN dim <= 200 THEN 'to 200 days' ELSE 'over 200 days' END,
        'group ' || group_name
    ]) AS class
    FROM test_day
)
SELECT class,
    count(*) FILTER (date >= $1 AND date < $2), count(*) FILTER (high AND date >= $1 AND date < $2),
    count(*) FILTER (date >= $3 AND date < $4), count(*) FILTER (high AND date >= $3 AND date < $4)
FROM classed WHERE class IS NOT NULL GROUP BY class ORDER BY class
""".replace("{high}", str(HIGH_SCC))
_TANK: Final = """
WITH last_test AS (SELECT max(date) AS date FROM test_day WHERE date < $1)
SELECT cow, cells / nullif(sum(cells) OVER (), 0) AS share
FROM (
    SELECT cow, (scc_cells_ml * coalesce(milk_kg, avg(milk_kg::DECIMAL(9, 3)) OVER (), 1))::BIGINT AS cells
    FROM test_day JOIN last_test USING (date)
)
ORDER BY 2 DESC, cow LIMIT 5
"""


@dataclass(frozen=True, slots=True)
class TestDay:
    """One test day: cows tested and high; of those at risk the newly high; chronic; high at first test."""

    day: date
    tested: int
    high: int
    at_risk: int
    new: int
    chronic: int
    first_test_high: int


@dataclass(frozen=True, slots=True)
class CowClass:
    """One class of cows in the baseline and in the period: tested and high."""

    name: str
    tested_before: int
    high_before: int
    tested: int
    high: int


@dataclass(frozen=True, slots=True)
class Decomposition:
    """The cell count taken apart; ``tank`` holds the cows with the largest shares of the last test day."""

    test_days: tuple[TestDay, ...]
    classes: tuple[CowClass, ...]
    tank: tuple[tuple[str, float], ...]


def decompose(reader: duckdb.DuckDBPyConnection, period: Period, baseline: Period) -> Decomposition | None:
    """Return the cell count taken apart, None without test days."""
    days = tuple(TestDay(*row) for row in reader.execute(_BY_DAY).fetchall())
    if not days:
        return None
    bounds = [baseline.start, baseline.end, period.start, period.end]
    classes = tuple(CowClass(*row) for row in reader.execute(_BY_CLASS, bounds).fetchall())
    tank = tuple(
        (str(cow), float(share)) for cow, share in reader.execute(_TANK, [period.end]).fetchall() if share
    )
    return Decomposition(days, classes, tank)
