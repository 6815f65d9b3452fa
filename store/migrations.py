"""How a history file came to its present shape: numbered steps, each run once, in order.

A step is never edited after release; a change of the schema is a new step. Each step is its own
transaction followed by a CHECKPOINT, because the database's replay of its write-ahead log is least
trustworthy around schema changes.
"""

from __future__ import annotations

from typing import Final

import duckdb

from detect.errors import StoreError
from store.advisor_views import ADVISOR_VIEWS, SUPPORT_PRACTICE
from store.exposure import COW_EXPOSURE, KEEP
from store.health.cow_id import COW_KEY_MACRO
from store.views import CLIP_SAMPLE, QUARTER_SLIPS, SLIPS_PER_100, STALL_DAY

_TABLES: Final = """
CREATE TABLE air_event (
    event_id VARCHAR NOT NULL, parlor VARCHAR NOT NULL, stall INTEGER NOT NULL, milking_id VARCHAR,
    kind VARCHAR NOT NULL, start_at TIMESTAMP NOT NULL, end_at TIMESTAMP NOT NULL,
    detected_at TIMESTAMP NOT NULL, depth_kpa DOUBLE NOT NULL, max_fall_kpa_250ms DOUBLE NOT NULL,
    air_l DOUBLE NOT NULL, peak_air_l_min DOUBLE NOT NULL, pulses INTEGER NOT NULL,
    flow_kg_min DOUBLE NOT NULL, phase VARCHAR NOT NULL, impact_kpa DOUBLE NOT NULL,
    cause VARCHAR NOT NULL, cause_share DOUBLE NOT NULL, confidence DOUBLE NOT NULL,
    detector VARCHAR NOT NULL
);
CREATE TABLE support_event (
    parlor VARCHAR NOT NULL, stall INTEGER NOT NULL, milking_id VARCHAR, start_at TIMESTAMP NOT NULL,
    end_at TIMESTAMP NOT NULL, detected_at TIMESTAMP NOT NULL, state VARCHAR NOT NULL,
    support_share DOUBLE NOT NULL
);
CREATE TABLE milking (
    milking_id VARCHAR NOT NULL, parlor VARCHAR NOT NULL, stall INTEGER NOT NULL, cow VARCHAR,
    milker VARCHAR, group_name VARCHAR, start_at TIMESTAMP NOT NULL, end_at TIMESTAMP NOT NULL,
    yield_kg DOUBLE NOT NULL, unit_on_s DOUBLE NOT NULL, mean_flow_kg_min DOUBLE NOT NULL,
    peak_flow_kg_min DOUBLE NOT NULL, two_minute_kg DOUBLE NOT NULL, low_flow_s DOUBLE NOT NULL,
    mean_claw_kpa DOUBLE, vacuum_at_removal_kpa DOUBLE, slips INTEGER NOT NULL,
    slip_air_l DOUBLE NOT NULL, late_slips INTEGER NOT NULL, impact_load_kpa DOUBLE NOT NULL,
    fall_offs INTEGER NOT NULL, reattaches INTEGER NOT NULL, unsupported_s DOUBLE NOT NULL,
    coverage_ratio DOUBLE NOT NULL, complete BOOLEAN NOT NULL
);
CREATE TABLE plant_event (
    parlor VARCHAR NOT NULL, start_at TIMESTAMP NOT NULL, end_at TIMESTAMP NOT NULL,
    depth_kpa DOUBLE NOT NULL, stalls_touched INTEGER NOT NULL
);
CREATE TABLE condition_event (
    parlor VARCHAR NOT NULL, stall INTEGER NOT NULL, start_at TIMESTAMP NOT NULL, end_at TIMESTAMP,
    detected_at TIMESTAMP NOT NULL, condition VARCHAR NOT NULL, evidence VARCHAR NOT NULL
);
CREATE TABLE maintenance ("at" TIMESTAMP NOT NULL, stall INTEGER, what VARCHAR NOT NULL, note VARCHAR);
CREATE TABLE quarantine (
    recv_at TIMESTAMP NOT NULL, topic VARCHAR NOT NULL, payload BLOB NOT NULL, reason VARCHAR NOT NULL
);
CREATE TABLE detector_state (
    parlor VARCHAR NOT NULL, stall INTEGER NOT NULL, version INTEGER NOT NULL, digest VARCHAR NOT NULL,
    blob BLOB NOT NULL
);
CREATE TABLE watermark (
    parlor VARCHAR NOT NULL, topic VARCHAR NOT NULL, boot VARCHAR, seq BIGINT NOT NULL,
    t_ns BIGINT NOT NULL
);
"""

_EVIDENCE: Final = "ALTER TABLE air_event ADD COLUMN evidence VARCHAR;"

_QUARTER: Final = "ALTER TABLE air_event ADD COLUMN quarter VARCHAR;"


_DATA_GAP: Final = """
CREATE TABLE data_gap (
    parlor VARCHAR NOT NULL, stall INTEGER, stream VARCHAR NOT NULL, boot VARCHAR,
    first_seq BIGINT NOT NULL, last_seq BIGINT NOT NULL, frames BIGINT NOT NULL,
    start_at TIMESTAMP NOT NULL, end_at TIMESTAMP NOT NULL
);
"""

_INCIDENT: Final = """
CREATE TABLE incident (noticed_at TIMESTAMP NOT NULL, what VARCHAR NOT NULL, detail VARCHAR NOT NULL);
"""

_CLIP: Final = """
CREATE TABLE clip (
    event_id VARCHAR NOT NULL, parlor VARCHAR NOT NULL, stall INTEGER NOT NULL, start_at TIMESTAMP NOT NULL,
    rate_hz DOUBLE NOT NULL, vacuum_dapa SMALLINT[] NOT NULL
);
CREATE TABLE recent_trace (
    parlor VARCHAR NOT NULL, stall INTEGER NOT NULL, t_ns BIGINT NOT NULL, end_ns BIGINT NOT NULL,
    rate_hz DOUBLE NOT NULL, samples BLOB NOT NULL
);
"""

_HEALTH: Final = """
CREATE TABLE test_day (
    cow VARCHAR NOT NULL, date DATE NOT NULL, scc_cells_ml INTEGER NOT NULL, parity INTEGER, dim INTEGER,
    milk_kg DOUBLE, group_name VARCHAR
);
CREATE TABLE clinical_case (
    cow VARCHAR NOT NULL, date DATE NOT NULL, quarter VARCHAR, pathogen VARCHAR, severity VARCHAR
);
CREATE TABLE bulk_tank (date DATE NOT NULL, scc_cells_ml INTEGER NOT NULL);
"""

_KEPT_EXPOSURE: Final = "DROP VIEW IF EXISTS cow_exposure;" + COW_EXPOSURE + KEEP
"""What was a view became a table that is kept; two more views were written for speed."""

STEPS: Final[tuple[str, ...]] = (
    _TABLES,
    SLIPS_PER_100 + STALL_DAY,
    _EVIDENCE,
    _QUARTER + QUARTER_SLIPS,
    _DATA_GAP,
    _INCIDENT,
    _CLIP + CLIP_SAMPLE,
    _HEALTH + COW_KEY_MACRO + ADVISOR_VIEWS,
    _KEPT_EXPOSURE + STALL_DAY + SUPPORT_PRACTICE,
)
"""Step n (counted from 1) brings a file of schema version n - 1 to version n."""
VERSION: Final = len(STEPS)
"""Schema version this program reads and writes."""

_IS_OURS: Final = "SELECT count(*) FROM duckdb_tables() WHERE table_name = 'schema_version'"
_ANY_TABLE: Final = "SELECT count(*) FROM duckdb_tables() WHERE NOT internal"


def schema_version(connection: duckdb.DuckDBPyConnection) -> int:
    """Return the schema version of an open file, 0 for an empty one.

    Raises
    ------
    StoreError
        When the file holds tables but is no history of ours.
    """
    if _one(connection, _IS_OURS) == 0:
        if _one(connection, _ANY_TABLE) != 0:
            raise StoreError("holds tables of another program; name a file of its own for the history")
        return 0
    return _one(connection, "SELECT coalesce(max(version), 0) FROM schema_version")


def require_current(found: int, *, writable: bool) -> None:
    """Refuse a file this program cannot use as it is.

    Parameters
    ----------
    found:
        Schema version of the file.
    writable:
        Whether missing steps can be run; a file opened for reading must be current already.

    Raises
    ------
    StoreError
        When the file is newer than the program, or older and not writable.
    """
    if found > VERSION:
        raise StoreError(
            f"holds schema version {found}, this program knows {VERSION}: the program is older than "
            "the file; install the newer quietclaw"
        )
    if not writable and found < VERSION:
        raise StoreError(
            f"holds schema version {found}, reading needs {VERSION}: "
            "open it once for writing (quietclaw run, replay, load or note) to bring it up to date"
        )


def migrate(connection: duckdb.DuckDBPyConnection, *, steps: tuple[str, ...] = STEPS) -> None:
    """Run the steps a writable file still lacks, each in its own transaction, then checkpoint."""
    found = schema_version(connection)
    for number, step in enumerate(steps[found:], start=found + 1):
        connection.begin()
        try:
            connection.execute("CREATE TABLE IF NOT EXISTS schema_version (version INTEGER NOT NULL)")
            connection.execute(step)
            connection.execute("INSERT INTO schema_version VALUES ($1)", [number])
        except duckdb.Error:
            connection.rollback()
            raise
        connection.commit()
        connection.execute("CHECKPOINT")


def _one(connection: duckdb.DuckDBPyConnection, sql: str) -> int:
    """Return the single integer a statement yields."""
    row = connection.execute(sql).fetchone()
    return int(row[0]) if row else 0
