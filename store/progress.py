"""How far each topic was read: one watermark a topic, committed with the results it stands for."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import duckdb

from store.batch import Watermark
from store.engine import append_rows

_UPDATE: Final = """
UPDATE watermark SET
    boot = list_extract($3::VARCHAR[], list_position($2::VARCHAR[], topic)),
    seq = list_extract($4::BIGINT[], list_position($2::VARCHAR[], topic)),
    t_ns = list_extract($5::BIGINT[], list_position($2::VARCHAR[], topic))
WHERE parlor = $1 AND list_position($2::VARCHAR[], topic) > 0
"""
"""No join: each would leave some kilobytes in the engine's queue of blocks to evict (see DEVELOPERS.md)."""
_READ: Final = "SELECT topic, boot, seq, t_ns FROM watermark WHERE parlor = $1 ORDER BY topic"


def write_watermarks(
    connection: duckdb.DuckDBPyConnection, parlor: str, moved: Mapping[str, Watermark]
) -> None:
    """Replace the watermarks of the topics that moved, within the open transaction."""
    if not moved:
        return
    marks = [(mark.boot, mark.seq, mark.t_ns) for mark in moved.values()]
    columns = [list(column) for column in zip(*marks, strict=True)]
    [(updated,)] = connection.execute(_UPDATE, [parlor, list(moved), *columns]).fetchall()
    if updated < len(moved):
        known = read_watermarks(connection, parlor)
        placed = zip(moved, marks, strict=True)
        rows = [(parlor, topic, *mark) for topic, mark in placed if topic not in known]
        append_rows(connection, "watermark", rows)


def read_watermarks(connection: duckdb.DuckDBPyConnection, parlor: str) -> dict[str, Watermark]:
    """Return the stored watermarks of a parlor by topic."""
    rows = connection.execute(_READ, [parlor]).fetchall()
    return {topic: Watermark(boot, seq, t_ns) for topic, boot, seq, t_ns in rows}
