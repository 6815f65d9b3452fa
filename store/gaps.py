"""What never came: one row of ``data_gap`` for each stretch of missing frames, so that every loss is told."""

from __future__ import annotations

from collections.abc import Sequence

import duckdb

from store.batch import MissingFrames
from store.engine import Row, append_rows
from store.rows import instant
from store.schema import DATA_GAP


def append_gaps(connection: duckdb.DuckDBPyConnection, parlor: str, missing: Sequence[MissingFrames]) -> None:
    """Store missing frames within the open transaction."""
    append_rows(connection, DATA_GAP.name, [gap_row(parlor, gap) for gap in missing])


def gap_row(parlor: str, gap: MissingFrames) -> Row:
    """Return a gap in the column order of its table."""
    frames = gap.last_seq - gap.first_seq + 1
    # A clock set back within the gap must not make it end before it begins.
    start_ns = min(gap.start_ns, gap.end_ns)
    numbers = (gap.first_seq, gap.last_seq, frames)
    return (parlor, gap.stall, gap.stream, gap.boot, *numbers, instant(start_ns), instant(gap.end_ns))
