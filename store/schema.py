"""The tables of the history as they stand today: columns, types and what makes a row the same row.

The tables of the contract (:data:`CONTRACT_TABLES`) are exported and loaded; detector state and
watermarks belong to the running service and never leave the file. No table carries a PRIMARY KEY or
UNIQUE constraint: an index costs every commit its concurrency with a checkpoint and tens of
milliseconds of tail latency (measured), so uniqueness is kept by committing results together with
the watermark and is checked by :func:`store.checks.duplicates`.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

from detect.kinds import AirKind, Cause, Condition, Phase, Quarter, SupportState
from store.incident import IncidentKind


class ColumnType(StrEnum):
    """Type of a column, in the database's own words."""

    TEXT = "VARCHAR"
    INTEGER = "INTEGER"
    LONG = "BIGINT"
    REAL = "DOUBLE"
    FLAG = "BOOLEAN"
    INSTANT = "TIMESTAMP"
    DATE = "DATE"
    BYTES = "BLOB"
    SAMPLES = "SMALLINT[]"


@dataclass(frozen=True, slots=True)
class Column:
    """One column; an optional one may hold null, one with ``words`` holds only these."""

    name: str
    kind: ColumnType
    optional: bool = False
    words: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Table:
    """One table of the contract.

    ``key`` names the columns that make two rows the same fact; ``revised`` those a later report of
    the same fact may still change.
    """

    name: str
    columns: tuple[Column, ...]
    key: tuple[str, ...]
    revised: tuple[str, ...] = ()

    @property
    def column_names(self) -> tuple[str, ...]:
        """Return the column names in order."""
        return tuple(column.name for column in self.columns)

    @property
    def repeatable(self) -> bool:
        """Return whether the same row may stand twice, since nothing less than all of it is its key."""
        return self.key == self.column_names


def _columns(kind: ColumnType, *names: str) -> tuple[Column, ...]:
    """Return columns of one type; a trailing ``?`` marks an optional one."""
    return tuple(Column(name.removesuffix("?"), kind, name.endswith("?")) for name in names)


def _word(name: str, words: Iterable[StrEnum]) -> Column:
    """Return a text column that holds the words of an enum; a trailing ``?`` marks an optional one."""
    known = tuple(word.value for word in words)
    return Column(name.removesuffix("?"), ColumnType.TEXT, name.endswith("?"), words=known)


_TEXT, _INTEGER, _LONG, _REAL = ColumnType.TEXT, ColumnType.INTEGER, ColumnType.LONG, ColumnType.REAL
_FLAG, _INSTANT, _BYTES = ColumnType.FLAG, ColumnType.INSTANT, ColumnType.BYTES
_DATE = ColumnType.DATE

AIR_EVENT = Table(
    "air_event",
    (
        *_columns(_TEXT, "event_id", "parlor"),
        *_columns(_INTEGER, "stall"),
        *_columns(_TEXT, "milking_id?"),
        _word("kind", AirKind),
        *_columns(_INSTANT, "start_at", "end_at", "detected_at"),
        *_columns(_REAL, "depth_kpa", "max_fall_kpa_250ms", "air_l", "peak_air_l_min"),
        *_columns(_INTEGER, "pulses"),
        *_columns(_REAL, "flow_kg_min"),
        _word("phase", Phase),
        *_columns(_REAL, "impact_kpa"),
        _word("cause", Cause),
        *_columns(_REAL, "cause_share", "confidence"),
        *_columns(_TEXT, "detector", "evidence?"),
        _word("quarter?", Quarter),
    ),
    key=("event_id",),
)

SUPPORT_EVENT = Table(
    "support_event",
    (
        *_columns(_TEXT, "parlor"),
        *_columns(_INTEGER, "stall"),
        *_columns(_TEXT, "milking_id?"),
        *_columns(_INSTANT, "start_at", "end_at", "detected_at"),
        _word("state", SupportState),
        *_columns(_REAL, "support_share"),
    ),
    key=("parlor", "stall", "start_at", "state"),
)

MILKING = Table(
    "milking",
    (
        *_columns(_TEXT, "milking_id", "parlor"),
        *_columns(_INTEGER, "stall"),
        *_columns(_TEXT, "cow?", "milker?", "group_name?"),
        *_columns(_INSTANT, "start_at", "end_at"),
        *_columns(_REAL, "yield_kg", "unit_on_s", "mean_flow_kg_min", "peak_flow_kg_min"),
        *_columns(_REAL, "two_minute_kg", "low_flow_s", "mean_claw_kpa?", "vacuum_at_removal_kpa?"),
        *_columns(_INTEGER, "slips"),
        *_columns(_REAL, "slip_air_l"),
        *_columns(_INTEGER, "late_slips"),
        *_columns(_REAL, "impact_load_kpa"),
        *_columns(_INTEGER, "fall_offs", "reattaches"),
        *_columns(_REAL, "unsupported_s", "coverage_ratio"),
        *_columns(_FLAG, "complete"),
    ),
    key=("milking_id",),
)

PLANT_EVENT = Table(
    "plant_event",
    (
        *_columns(_TEXT, "parlor"),
        *_columns(_INSTANT, "start_at", "end_at"),
        *_columns(_REAL, "depth_kpa"),
        *_columns(_INTEGER, "stalls_touched"),
    ),
    key=("parlor", "start_at"),
)

CONDITION_EVENT = Table(
    "condition_event",
    (
        *_columns(_TEXT, "parlor"),
        *_columns(_INTEGER, "stall"),
        *_columns(_INSTANT, "start_at", "end_at?", "detected_at"),
        _word("condition", Condition),
        *_columns(_TEXT, "evidence"),
    ),
    key=("parlor", "stall", "condition", "start_at"),
    revised=("end_at", "evidence"),
)

MAINTENANCE = Table(
    "maintenance",
    (*_columns(_INSTANT, "at"), *_columns(_INTEGER, "stall?"), *_columns(_TEXT, "what", "note?")),
    key=("at", "stall", "what", "note"),
)

DATA_GAP = Table(
    "data_gap",
    (
        *_columns(_TEXT, "parlor"),
        *_columns(_INTEGER, "stall?"),
        *_columns(_TEXT, "stream", "boot?"),
        *_columns(_LONG, "first_seq", "last_seq", "frames"),
        *_columns(_INSTANT, "start_at", "end_at"),
    ),
    key=("parlor", "stall", "stream", "boot", "first_seq", "start_at"),
)

QUARANTINE = Table(
    "quarantine",
    (
        *_columns(_INSTANT, "recv_at"),
        *_columns(_TEXT, "topic"),
        *_columns(_BYTES, "payload"),
        *_columns(_TEXT, "reason"),
    ),
    key=("recv_at", "topic", "payload", "reason"),
)

CLIP = Table(
    "clip",
    (
        *_columns(_TEXT, "event_id", "parlor"),
        *_columns(_INTEGER, "stall"),
        *_columns(_INSTANT, "start_at"),
        *_columns(_REAL, "rate_hz"),
        *_columns(ColumnType.SAMPLES, "vacuum_dapa"),
    ),
    key=("event_id",),
)

INCIDENT = Table(
    "incident",
    (*_columns(_INSTANT, "noticed_at"), _word("what", IncidentKind), *_columns(_TEXT, "detail")),
    key=("noticed_at", "what", "detail"),
)

TEST_DAY = Table(
    "test_day",
    (
        *_columns(_TEXT, "cow"),
        *_columns(_DATE, "date"),
        *_columns(_INTEGER, "scc_cells_ml", "parity?", "dim?"),
        *_columns(_REAL, "milk_kg?"),
        *_columns(_TEXT, "group_name?"),
    ),
    key=("cow", "date"),
)

CLINICAL_CASE = Table(
    "clinical_case",
    (
        *_columns(_TEXT, "cow"),
        *_columns(_DATE, "date"),
        *_columns(_TEXT, "quarter?", "pathogen?", "severity?"),
    ),
    key=("cow", "date", "quarter"),
)

BULK_TANK = Table(
    "bulk_tank",
    (*_columns(_DATE, "date"), *_columns(_INTEGER, "scc_cells_ml")),
    key=("date",),
)

RESULT_TABLES = (AIR_EVENT, SUPPORT_EVENT, MILKING, PLANT_EVENT, CONDITION_EVENT)
"""Tables filled by the detector, one a result class."""
CONTRACT_TABLES = (
    *(*RESULT_TABLES, DATA_GAP, MAINTENANCE, QUARANTINE, CLIP, INCIDENT),
    *(TEST_DAY, CLINICAL_CASE, BULK_TANK),
)
"""Tables that leave the file, in the order they are exported."""
