"""Intervals between two test days of a cow, as arrays: exposure before, outcome at the end."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any, Final

import duckdb
import numpy as np

from store.evidence.interval import Array, floats

_BLOCK_DAYS: Final = 28
"""Days over which a stall is taken to stay the same [d] (engineering choice)."""
_DIM_CLASSES: Final = (100, 200)
"""Days in milk that part early, middle and late lactation."""
# Sums of decimals do not depend on the order in which threads meet them, sums of doubles do.
_READ: Final = f"""
WITH exposure AS MATERIALIZED (FROM cow_exposure),
known AS (SELECT DISTINCT cow AS said, cow_key(cow) AS cow FROM milking WHERE cow IS NOT NULL),
milked AS (
    SELECT known.cow, stall, date_diff('day', DATE '2000-01-01', start_at::DATE) // {_BLOCK_DAYS} AS block,
        start_at, slips
    FROM milking JOIN known ON milking.cow = known.said WHERE complete AND parlor = $1
),
stalls AS (SELECT stall, block, sum(slips) AS slips, count(*) AS n FROM milked GROUP BY ALL),
around AS (
    SELECT
        e.cow, e.from_date,
        count(*) FILTER (start_at < event_date - INTERVAL 14 DAY) AS early_milkings,
        coalesce(sum(m.slips) FILTER (start_at < event_date - INTERVAL 14 DAY), 0) AS early_slips,
        avg(((s.slips - m.slips) / nullif(s.n - 1, 0))::DECIMAL(18, 9)) AS stall_rate
    FROM exposure AS e
    JOIN milked AS m
        ON m.cow = e.cow AND m.start_at >= e.from_date AND m.start_at < e.event_date - INTERVAL 1 DAY
    JOIN stalls AS s ON s.stall = m.stall AND s.block = m.block
    GROUP BY ALL
)
SELECT
    e.cow, date_diff('day', DATE '2000-01-01', from_date) AS start,
    date_diff('day', DATE '2000-01-01', to_date) AS finish,
    date_diff('day', from_date, event_date) - 1 AS days, e.at_risk, e.infected,
    coalesce(parity, -1) AS parity, coalesce(dim, -1) AS dim, milkings, slips, late_slips,
    coalesce(early_milkings, 0) AS early_milkings, coalesce(early_slips, 0) AS early_slips, stall_rate,
    CASE WHEN follows THEN lead(milkings) OVER cows ELSE 0 END AS next_milkings,
    CASE WHEN follows THEN lead(slips) OVER cows ELSE 0 END AS next_slips
FROM (
    SELECT *, coalesce(lead(from_date) OVER (PARTITION BY cow ORDER BY from_date) = to_date, false) AS follows
    FROM exposure
) AS e
LEFT JOIN around USING (cow, from_date)
WINDOW cows AS (PARTITION BY e.cow ORDER BY from_date)
ORDER BY e.cow, from_date
"""  # noqa: S608 - constants of our own


@dataclass(frozen=True, slots=True)
class Intervals:
    """One entry an interval, each field of shape (intervals,).

    ``start`` and ``finish`` are days since 2000, ``early_`` counts leave out the last 14 days,
    ``next_`` counts are of the interval after, ``stall_rate`` is how often other milkings slipped in
    the stalls the cow stood in. Parity and days in milk are -1 where unknown.
    """

    cow: Any
    start: Array
    finish: Array
    days: Array
    at_risk: Array
    infected: Array
    parity: Array
    dim: Array
    milkings: Array
    slips: Array
    late_slips: Array
    early_milkings: Array
    early_slips: Array
    stall_rate: Array
    next_milkings: Array
    next_slips: Array

    @property
    def has_strata(self) -> bool:
        """Return whether parity or days in milk are known of anyone."""
        return bool((self.parity >= 0).any() or (self.dim >= 0).any())

    def only(self, kept: Array) -> Intervals:
        """Return some of the intervals."""
        return Intervals(*(getattr(self, each.name)[kept] for each in fields(self)))

    def strata(self) -> Array:
        """Return the stratum of each interval: parity 1, 2, 3 and more, by stage of lactation."""
        return _numbered(np.clip(self.parity, 0, 3), self._stage())

    def strata_by_test_day(self) -> Array:
        """Return the stratum of each interval, each test day being one of its own as well."""
        return _numbered(np.clip(self.parity, 0, 3), self._stage(), self.finish)

    def _stage(self) -> Array:
        """Return the stage of lactation: 0 unknown, then early, middle, late."""
        return np.where(self.dim < 0, 0.0, 1.0 + np.searchsorted(_DIM_CLASSES, self.dim, side="left"))


def _numbered(*labels: Array) -> Array:
    """Return a number from 0 for each distinct combination of labels."""
    _, index = np.unique(np.stack(labels), axis=1, return_inverse=True)
    return floats(index).ravel()


def read_intervals(reader: duckdb.DuckDBPyConnection, parlor: str) -> Intervals:
    """Return all intervals between two test days of one cow."""
    found = reader.execute(_READ, [parlor]).fetchnumpy()
    columns = {each.name: found[each.name] for each in fields(Intervals)}
    cow = np.asarray(columns.pop("cow")).astype(str)
    numbers = {
        name: floats(np.ma.filled(np.ma.masked_array(v, dtype=np.float64), np.nan))
        for name, v in columns.items()
    }
    return Intervals(cow=cow, **numbers)
