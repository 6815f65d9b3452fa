"""Views for advisors, part of the schema: who was exposed, what became of it, who carried the unit.

The advisor's report reads ``cow_exposure`` itself, so a question in SQL meets the same figures.
"""

from __future__ import annotations

from typing import Final

HIGH_SCC: Final = 200_000
"""Cell count [cells/mL] from which a cow counts as infected (common practice; limits in DEVELOPERS.md)."""
LONGEST_INTERVAL_DAYS: Final = 100
"""Test days further apart say nothing about when an infection came [d] (engineering choice)."""
FRESH_DAYS: Final = 5
"""Days after calving in which a cell count is high by nature [d] (common practice, no source)."""
RECOVERY_DAYS: Final = 30
"""Days after a clinical case in which a cow is not at risk of a new one [d] (engineering choice)."""
CARRIED_RATIO: Final = 0.1
"""Largest share of the unit-on time without support at which a unit is carried (engineering choice)."""

_COW_EXPOSURE: Final = f"""
CREATE OR REPLACE VIEW cow_exposure AS
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
milked AS (
    SELECT known.cow, start_at, slips, late_slips, fall_offs
    FROM milking JOIN known ON milking.cow = known.said
    WHERE complete
)
SELECT
    spans.cow, from_date, to_date, event_date, scc_before, scc_after, clinical, at_risk,
    clinical OR scc_after >= {HIGH_SCC} AS infected,
    any_value(parity) AS parity, any_value(dim) AS dim, any_value(group_name) AS group_name,
    count(start_at) AS milkings,
    coalesce(sum(slips), 0)::BIGINT AS slips,
    coalesce(sum(late_slips), 0)::BIGINT AS late_slips,
    coalesce(sum(fall_offs), 0)::BIGINT AS fall_offs
FROM spans LEFT JOIN milked
    ON milked.cow = spans.cow AND start_at >= from_date AND start_at < event_date - INTERVAL 1 DAY
GROUP BY ALL;
"""  # noqa: S608 - constants of our own

_NEW_INFECTION: Final = f"""
CREATE OR REPLACE VIEW new_infection AS
WITH tests AS (
    SELECT date, scc_cells_ml, lag(scc_cells_ml) OVER (PARTITION BY cow_key(cow) ORDER BY date) AS scc_before
    FROM test_day
)
SELECT
    date,
    count(*) AS tested,
    count(*) FILTER (scc_cells_ml >= {HIGH_SCC}) AS high,
    count(*) FILTER (scc_before < {HIGH_SCC}) AS at_risk,
    count(*) FILTER (scc_before < {HIGH_SCC} AND scc_cells_ml >= {HIGH_SCC}) AS new,
    count(*) FILTER (scc_before >= {HIGH_SCC} AND scc_cells_ml >= {HIGH_SCC}) AS chronic,
    count(*) FILTER (scc_before IS NULL AND scc_cells_ml >= {HIGH_SCC}) AS first_test_high
FROM tests
GROUP BY date;
"""  # noqa: S608 - constants of our own

_SUPPORT_PRACTICE: Final = f"""
CREATE OR REPLACE VIEW support_practice AS
SELECT
    parlor, stall, date_trunc('week', start_at)::DATE AS week,
    CASE WHEN hour(start_at) < 12 THEN 'before noon' ELSE 'after noon' END AS shift,
    count(*) AS milkings,
    count(*) FILTER (unsupported_s <= {CARRIED_RATIO} * unit_on_s) AS carried,
    carried / milkings AS carried_ratio
FROM milking
WHERE complete AND unit_on_s > 0
GROUP BY ALL;
"""  # noqa: S608 - constants of our own

ADVISOR_VIEWS: Final = _COW_EXPOSURE + _NEW_INFECTION + _SUPPORT_PRACTICE
"""All of them, in the order they are made."""
