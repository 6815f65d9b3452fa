"""Notes by people: what was done to which stall and when, the ground of every before-and-after."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import duckdb

from detect.errors import InputError
from store.engine import append_rows
from store.rows import instant
from store.schema import MAINTENANCE


@dataclass(frozen=True, slots=True)
class MaintenanceNote:
    """One piece of work: when [ns], on which stalls (None for all), what, and anything else."""

    at_ns: int
    stalls: Sequence[int] | None
    what: str
    note: str | None = None

    def __post_init__(self) -> None:
        """Check the note.

        Raises
        ------
        InputError
            When it says nothing, or names no or impossible stalls.
        """
        if not self.what.strip():
            raise InputError("a note must say what was done")
        if self.stalls is not None and (not self.stalls or min(self.stalls) < 1):
            raise InputError("stalls are positive numbers; leave them out to mean all")


def append_note(connection: duckdb.DuckDBPyConnection, note: MaintenanceNote) -> None:
    """Store a note within the open transaction, one row a stall or one row for all of them."""
    stalls = [None] if note.stalls is None else sorted(set(note.stalls))
    rows = [(instant(note.at_ns), stall, note.what, note.note) for stall in stalls]
    append_rows(connection, MAINTENANCE.name, rows)
