"""``cow_exposure``: what each cow was exposed to between two test days, and what became of her; a kept table.

Counting a year of 80 stalls anew takes 0.4 s, too long for a question one waits for. So the counts are kept:
written anew with the health records or a load, in the same transaction, and a milking adds itself in the one
that stores it. A test holds the kept rows to be those of the count.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import duckdb

from store.engine import Row
from store.schema import CLINICAL_CASE, MILKING, TEST_DAY, Table

HIGH_SCC: Final = 200_000
"""Cell count [cells/mL] from which a cow counts as infected (common practice; limits in DEVELOPERS.md)."""
LONGEST_INTERVAL_DAYS: Final = 100
"""Test days further apart say nothing about when an infection came [d] (engineering choice)."""
FRESH_DAYS: Final = 5
"""Days after calving in which a cell count is high by nature [d] (common practice, no source)."""
RECOVERY_DAYS: Final = 30
"""Days after a clinical case in which a cow is not at risk of a new one [d] (engineering choice)."""

COW_EXPOSURE: Final = """
CREATE TABLE cow_exposure (
    cow VARCHAR NOT NULL, from_date DATE NOT NULL, to_date DATE NOT NULL, event_date DATE NOT NULL,
    scc_before INTEGER NOT NULL, scc_after INTEGER NOT NULL, clinical BOOLEAN NOT NULL,
    at_risk BOOLEAN NOT NULL, infected BOOLEAN NOT NULL, parity INTEGER, dim INTEGER, group_name VARCHAR,
    milkings BIGINT NOT NULL, slips BIGINT NOT NULL, late_slips BIGINT NOT NULL, fall_offs BIGINT NOT NULL
);
"""
# A milking meets the intervals of its cow in its own month only, not all of them: a third of the time.
_COUNT: Final = f"""
WITH tests AS (
    SELECT
        cow_key(cow) AS cow, date AS to_date, scc_cells_ml AS scc_after, parity, dim, group_name,
        lag(date) OVER earlier AS from_date, lag(scc_cells_ml) OVER earlier AS scc_before
    FROM test_day
    WINDOW earlier AS (PARTITION BY cow_key(cow) ORDER BY date)
),
first_case AS (SELECT cow_key(cow) AS cow, min(date) AS case_date FROM clinical_case GROUP BY ALL),
spans AS (
    SELECT
        tests.*,
        coalesce(case_date > from_date AND case_date <= to_date, false) AS clinical,
        CASE WHEN clinical THEN case_date ELSE to_date END AS event_date,
        scc_before < {HIGH_SCC}
            AND to_date - from_date <= {LONGEST_INTERVAL_DAYS}
            AND coalesce(dim >= to_date - from_date AND dim > {FRESH_DAYS}, true)
            AND coalesce(case_date > from_date OR case_date < from_date - {RECOVERY_DAYS}, true) AS at_risk
    FROM tests LEFT JOIN first_case USING (cow)
    WHERE from_date IS NOT NULL
),
known AS (SELECT DISTINCT cow AS said, cow_key(cow) AS cow FROM milking WHERE cow IS NOT NULL),
months AS MATERIALIZED (
    SELECT
        cow, said, from_date, to_date, event_date,
        unnest(range(12 * year(from_date) + month(from_date), 12 * year(event_date) + month(event_date) + 1))
            AS month
    FROM spans JOIN known USING (cow)
),
milked AS (
    SELECT months.cow, from_date, to_date,
        count(*) AS milkings, sum(slips) AS slips, sum(late_slips) AS late_slips, sum(fall_offs) AS fall_offs
    FROM milking
    JOIN months
        ON milking.cow = said AND month = 12 * year(start_at) + month(start_at)
        AND start_at >= from_date AND start_at < event_date - INTERVAL 1 DAY
    WHERE complete
    GROUP BY ALL
)
SELECT
    spans.cow, from_date, to_date, event_date, scc_before, scc_after, clinical, at_risk,
    clinical OR scc_after >= {HIGH_SCC} AS infected,
    any_value(parity) AS parity, any_value(dim) AS dim, any_value(group_name) AS group_name,
    coalesce(any_value(milkings), 0) AS milkings,
    coalesce(any_value(slips), 0)::BIGINT AS slips,
    coalesce(any_value(late_slips), 0)::BIGINT AS late_slips,
    coalesce(any_value(fall_offs), 0)::BIGINT AS fall_offs
FROM spans LEFT JOIN milked USING (cow, from_date, to_date)
GROUP BY ALL
ORDER BY spans.cow, from_date
"""  # noqa: S608 - constants of our own
KEEP: Final = f"INSERT INTO cow_exposure BY NAME {_COUNT};"
"""Counts everything and keeps it, in a table that is empty."""
_ADD: Final = """
WITH told AS (
    SELECT unnest($1::VARCHAR[]) AS cow, unnest($2::TIMESTAMP[]) AS start_at, unnest($3::INTEGER[]) AS slips,
        unnest($4::INTEGER[]) AS late_slips, unnest($5::INTEGER[]) AS fall_offs
),
more AS (
    SELECT kept.cow, from_date, to_date, count(*) AS milkings, sum(told.slips) AS slips,
        sum(told.late_slips) AS late_slips, sum(told.fall_offs) AS fall_offs
    FROM told
    JOIN cow_exposure AS kept
        ON kept.cow = cow_key(told.cow) AND start_at >= from_date AND start_at < event_date - INTERVAL 1 DAY
    GROUP BY ALL
)
UPDATE cow_exposure AS kept SET
    milkings = kept.milkings + more.milkings, slips = kept.slips + more.slips,
    late_slips = kept.late_slips + more.late_slips, fall_offs = kept.fall_offs + more.fall_offs
FROM more WHERE kept.cow = more.cow AND kept.from_date = more.from_date AND kept.to_date = more.to_date
"""
_CONCERNED: Final = """
SELECT count(*) FROM cow_exposure WHERE event_date - INTERVAL 1 DAY > list_min($1::TIMESTAMP[])
"""
"""Asked first: it takes a tenth of what the join takes, and most milkings are later than all test days."""
_TOLD: Final = tuple(
    MILKING.column_names.index(name) for name in ("cow", "start_at", "slips", "late_slips", "fall_offs")
)
_COW: Final = MILKING.column_names.index("cow")
_COMPLETE: Final = MILKING.column_names.index("complete")
COUNTED: Final = frozenset((MILKING, TEST_DAY, CLINICAL_CASE))
"""Tables of which the counts are made."""


def count_anew(connection: duckdb.DuckDBPyConnection, changed: frozenset[Table] = COUNTED) -> None:
    """Count everything within the open transaction, if a table that is counted has changed."""
    if changed & COUNTED:
        connection.execute("DELETE FROM cow_exposure")
        connection.execute(KEEP)


def add_milkings(connection: duckdb.DuckDBPyConnection, rows: Sequence[Row]) -> None:
    """Count milkings that the open transaction has stored; most are later than all test days."""
    counted = [[row[k] for k in _TOLD] for row in rows if row[_COMPLETE] and row[_COW] is not None]
    if not counted:
        return
    columns = list(zip(*counted, strict=True))
    [(concerned,)] = connection.execute(_CONCERNED, [columns[1]]).fetchall()
    if concerned:
        connection.execute(_ADD, columns)
