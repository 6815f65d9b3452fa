"""How far each topic was read: one watermark a topic, committed with the results it stands for."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import duckdb

from store.batch import Watermark
from store.engine import append_rows

_STAGE: Final = "CREATE OR REPLACE TEMP TABLE moved_watermark AS FROM watermark LIMIT 0"
_UPDATE: Final = """
UPDATE watermark SET boot = moved.boot, seq = moved.seq, t_ns = moved.t_ns
FROM moved_watermark AS moved
WHERE watermark.parlor = moved.parlor AND watermark.topic = moved.topic
"""
_INSERT: Final = """
INSERT INTO watermark FROM moved_watermark AS moved
WHERE NOT EXISTS (FROM watermark AS known WHERE known.parlor = moved.parlor AND known.topic = moved.topic)
"""
_READ: Final = "SELECT topic, boot, seq, t_ns FROM watermark WHERE parlor = $1 ORDER BY topic"


def write_watermarks(
    connection: duckdb.DuckDBPyConnection, parlor: str, moved: Mapping[str, Watermark]
) -> None:
    """Replace the watermarks of the topics that moved, within the open transaction."""
    if not moved:
        return
    connection.execute(_STAGE)
    rows = [(parlor, topic, mark.boot, mark.seq, mark.t_ns) for topic, mark in moved.items()]
    append_rows(connection, "moved_watermark", rows)
    connection.execute(_UPDATE)
    connection.execute(_INSERT)


def read_watermarks(connection: duckdb.DuckDBPyConnection, parlor: str) -> dict[str, Watermark]:
    """Return the stored watermarks of a parlor by topic."""
    rows = connection.execute(_READ, [parlor]).fetchall()
    return {topic: Watermark(boot, seq, t_ns) for topic, boot, seq, t_ns in rows}
