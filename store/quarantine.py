"""Refused input: kept with its reason, never more than a cap, the oldest out first."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

import duckdb

from store.batch import Quarantined
from store.engine import append_rows, numbers
from store.rows import instant

PAYLOAD_LIMIT_BYTES: Final = 4096
"""Bytes of a refused payload that are kept: enough to see what it was (engineering choice)."""

_SIZE: Final = "SELECT count(*), coalesce(sum(octet_length(payload)), 0)::BIGINT FROM quarantine"
_TRIM: Final = """
DELETE FROM quarantine WHERE rowid IN (
    SELECT rowid FROM (
        SELECT
            rowid,
            row_number() OVER newest AS rank,
            sum(octet_length(payload)) OVER newest AS held_bytes
        FROM quarantine
        WINDOW newest AS (ORDER BY recv_at DESC, rowid DESC ROWS UNBOUNDED PRECEDING)
    )
    WHERE rank > $1 OR held_bytes > $2
)
"""


@dataclass(frozen=True, slots=True)
class QuarantineLimits:
    """How much refused input a history keeps (engineering choice: a day of one broken device)."""

    rows: int = 100_000
    payload_bytes: int = 64 * 1024 * 1024


DEFAULT_LIMITS: Final = QuarantineLimits()
"""Limits for one parlor."""


class Quarantine:
    """The table ``quarantine`` of one open file, remembering how full it is."""

    def __init__(self, connection: duckdb.DuckDBPyConnection, limits: QuarantineLimits) -> None:
        self._connection = connection
        self._limits = limits
        self._size: tuple[int, int] | None = None

    def forget(self) -> None:
        """Drop the remembered size, after a transaction that came to nothing."""
        self._size = None

    def append(self, refused: Sequence[Quarantined]) -> None:
        """Store refused messages within the open transaction and drop the oldest above the cap.

        What is left is always the longest newest stretch within the cap, whatever the batches.
        """
        if not refused:
            return
        held, held_bytes = self._size or self._measure()
        rows = [quarantine_row(message) for message in refused]
        append_rows(self._connection, "quarantine", rows)
        self._size = (held + len(rows), held_bytes + sum(len(row[2]) for row in rows))
        if self._size[0] > self._limits.rows or self._size[1] > self._limits.payload_bytes:
            self.trim()

    def trim(self) -> None:
        """Drop the oldest rows above the cap, within the open transaction."""
        self._connection.execute(_TRIM, [self._limits.rows, self._limits.payload_bytes])
        self._size = self._measure()

    def _measure(self) -> tuple[int, int]:
        """Return rows and payload bytes held."""
        rows, payload_bytes = numbers(self._connection, _SIZE)
        return rows, payload_bytes


def quarantine_row(refused: Quarantined) -> tuple[datetime, str, bytes, str]:
    """Return a refused message in the column order of its table."""
    return instant(refused.recv_ns), refused.topic, refused.payload[:PAYLOAD_LIMIT_BYTES], refused.reason
