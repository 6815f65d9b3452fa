"""The history's side of a score."""

from __future__ import annotations

from typing import Final

from dashboards.score.spells import Record
from dashboards.score.tables import SHAPES, record
from store.history import History
from store.query import QueryLimits, run_query
from store.schema import AIR_EVENT, MILKING, PLANT_EVENT, SUPPORT_EVENT, Table

TABLES: Final = {"events": AIR_EVENT, "milkings": MILKING, "support": SUPPORT_EVENT, "plant": PLANT_EVENT}
WHOLE: Final = QueryLimits(rows=50_000_000, time_s=600.0)
"""A score reads whole tables; the bound only keeps a fault from running for ever."""


def read_history(history: History) -> Record:
    """Read all that is scored from an open history; what its tables do not have is named as missing."""
    frames, missing = {}, []
    for name, table in TABLES.items():
        columns = SHAPES[name].of(table.column_names)
        missing += [f"{name}.{column}" for column in SHAPES[name].wished if column not in columns]
        sql = _sql(table, columns)
        frames[name] = (run_query(history, sql, limits=WHOLE).frame, table.name)
    return record(frames, missing=tuple(missing))


def _sql(table: Table, columns: list[str]) -> str:
    # Names are our own constants, never the user's words.
    return f"SELECT {', '.join(columns)} FROM {table.name} ORDER BY start_at"  # noqa: S608
