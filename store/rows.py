"""From what the detector says to rows: one generic rule instead of a mapping a table.

A field ``x_ns`` [ns since 1970-01-01 UTC] becomes the column ``x_at``, a naive UTC instant rounded
down to a microsecond; an enum becomes its word; everything else is stored as it is.
"""

from __future__ import annotations

from dataclasses import fields
from datetime import UTC, datetime, timedelta
from enum import Enum
from typing import Final

from detect.results import AirEvent, ConditionEvent, Milking, PlantEvent, Result, SupportEvent
from store.engine import Row, Value
from store.schema import AIR_EVENT, CONDITION_EVENT, MILKING, PLANT_EVENT, SUPPORT_EVENT, Table

EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC).replace(tzinfo=None)
"""Origin of all instants, naive because TIMESTAMP columns are UTC without a zone."""

TABLE_OF: Final[dict[type[Result], Table]] = {
    AirEvent: AIR_EVENT,
    SupportEvent: SUPPORT_EVENT,
    Milking: MILKING,
    PlantEvent: PLANT_EVENT,
    ConditionEvent: CONDITION_EVENT,
}
"""The table each class of result goes to."""
_FIELDS_OF: Final = {kind: tuple(field.name for field in fields(kind)) for kind in TABLE_OF}


def instant(t_ns: int) -> datetime:
    """Return the naive UTC instant of a time [ns since 1970-01-01 UTC], rounded down to 1 us."""
    return EPOCH + timedelta(microseconds=t_ns // 1000)


def column_name(field_name: str) -> str:
    """Return the column a field of a result is stored in."""
    return f"{field_name.removesuffix('_ns')}_at" if field_name.endswith("_ns") else field_name


def row_of(result: Result) -> Row:
    """Return a result as a row of its table, in the order of its fields."""
    return tuple(_cell(name, getattr(result, name)) for name in _FIELDS_OF[type(result)])


def _cell(name: str, value: Value | Enum) -> Value:
    """Return one field's value as it is stored."""
    if isinstance(value, Enum):
        return str(value.value)
    if name.endswith("_ns") and value is not None:
        return instant(int(value))  # type: ignore[arg-type]  # an `_ns` field is an integer by house rule
    return value
