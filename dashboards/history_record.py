"""The history's side of a score."""

from __future__ import annotations

from typing import Final

from dashboards.records import COLUMNS, record
from dashboards.score import Record
from store.history import History
from store.query import QueryLimits, run_query

TABLES: Final = {
    "events": "air_event",
    "milkings": "milking",
    "support": "support_event",
    "plant": "plant_event",
}
WITH_DETECTION: Final = ("events", "support")
WHOLE: Final = QueryLimits(rows=50_000_000, time_s=600.0)
"""A score reads whole tables; the bound only keeps a fault from running for ever."""


def read_history(history: History) -> Record:
    """Read all that is scored from an open history."""
    frames = {}
    for name, table in TABLES.items():
        columns = [*COLUMNS[name], *(["detected_at"] if name in WITH_DETECTION else [])]
        # Names are our own constants, never the user's words.
        sql = f"SELECT {', '.join(columns)} FROM {table} ORDER BY start_at"  # noqa: S608
        frames[name] = run_query(history, sql, limits=WHOLE).frame
    return record(frames)
