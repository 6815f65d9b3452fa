"""Ready-made views over the history, part of its schema: the questions asked first.

``clip_sample``: one row a sample of vacuum around an event, null where none came.
``slips_per_100``: one row a parlor and stall; ``stall_day``: one row a parlor, stall and UTC day.
Those two count complete milkings only, since a milking seen in part hides slips. ``quarter_slips``: one
row a parlor and stall with slips whose quarter is known, which only sensors in the short milk tubes tell.
"""

from __future__ import annotations

from typing import Final

CLIP_SAMPLE: Final = """
CREATE VIEW clip_sample AS
SELECT
    event_id,
    parlor,
    stall,
    start_at
        + to_microseconds(((generate_subscripts(vacuum_dapa, 1) - 1) * 1e6 / rate_hz)::BIGINT) AS sample_at,
    unnest(vacuum_dapa) / 100.0 AS vacuum_kpa
FROM clip;
"""

SLIPS_PER_100: Final = """
CREATE VIEW slips_per_100 AS
SELECT
    parlor,
    stall,
    count(*) AS milkings,
    sum(slips)::BIGINT AS slips,
    100.0 * sum(slips) / count(*) AS slips_per_100,
    sum(slip_air_l) AS slip_air_l,
    sum(fall_offs)::BIGINT AS fall_offs,
    sum(unsupported_s) / nullif(sum(unit_on_s), 0) AS unsupported_ratio
FROM milking
WHERE complete
GROUP BY parlor, stall;
"""

STALL_DAY: Final = """
CREATE OR REPLACE VIEW stall_day AS
SELECT
    parlor,
    stall,
    start_at::DATE AS day,
    count(*) AS milkings,
    sum(slips)::BIGINT AS slips,
    sum(slip_air_l) AS slip_air_l,
    sum(late_slips)::BIGINT AS late_slips,
    sum(fall_offs)::BIGINT AS fall_offs,
    sum(unsupported_s) AS unsupported_s,
    sum(yield_kg) AS yield_kg
FROM milking
WHERE complete
GROUP BY ALL;
"""

QUARTER_SLIPS: Final = """
CREATE VIEW quarter_slips AS
SELECT
    parlor,
    stall,
    count(*) AS slips,
    count(*) FILTER (quarter = 'lf') AS lf,
    count(*) FILTER (quarter = 'rf') AS rf,
    count(*) FILTER (quarter = 'lr') AS lr,
    count(*) FILTER (quarter = 'rr') AS rr,
    count(*) FILTER (quarter IN ('lf', 'rf')) AS front,
    count(*) FILTER (quarter IN ('lr', 'rr')) AS rear,
    count(*) FILTER (quarter IN ('lr', 'rr')) / count(*) AS rear_ratio
FROM air_event
WHERE kind = 'liner_slip' AND quarter IS NOT NULL
GROUP BY parlor, stall;
"""
