"""Views for advisors, part of the schema: new infections, and who carried the unit.

The third, ``cow_exposure``, is a kept table: :mod:`store.exposure`. The advisor's report reads all of them
itself, so a question in SQL meets the same figures.
"""

from __future__ import annotations

from typing import Final

from store.exposure import HIGH_SCC

CARRIED_RATIO: Final = 0.1
"""Largest share of the unit-on time without support at which a unit is carried (engineering choice)."""

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

SUPPORT_PRACTICE: Final = f"""
CREATE OR REPLACE VIEW support_practice AS
SELECT
    parlor, stall, date_trunc('week', day)::DATE AS week,
    CASE WHEN morning THEN 'before noon' ELSE 'after noon' END AS shift,
    sum(units)::BIGINT AS milkings,
    sum(units_carried)::BIGINT AS carried,
    carried / milkings AS carried_ratio
FROM (
    SELECT
        parlor, stall, start_at::DATE AS day, hour(start_at) < 12 AS morning, count(*) AS units,
        count(*) FILTER (unsupported_s <= {CARRIED_RATIO} * unit_on_s) AS units_carried
    FROM milking
    WHERE complete AND unit_on_s > 0
    GROUP BY ALL
)
GROUP BY ALL;
"""  # noqa: S608 - constants of our own
"""By day first: a week and a word for each of two million milkings took half as long again."""

ADVISOR_VIEWS: Final = _NEW_INFECTION + SUPPORT_PRACTICE
"""All of them, in the order they are made."""
