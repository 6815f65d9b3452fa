"""The detector's state in the file: one blob a stall, rewritten only where it changed.

Eighty blobs of 3 kB rewritten four times a second would be 80 GB a day of writes; most stalls
stand still at any moment, so the bytes last written are kept and compared.
"""

from __future__ import annotations

from typing import Final

import duckdb

from detect.checkpoint import Checkpoint
from store.engine import append_rows

_UPDATE: Final = """
UPDATE detector_state SET blob = list_extract($3::BLOB[], list_position($2::INTEGER[], stall))
WHERE parlor = $1 AND list_position($2::INTEGER[], stall) > 0
"""
"""No join: each would leave some kilobytes in the engine's queue of blocks to evict (see DEVELOPERS.md)."""
_READ: Final = "SELECT stall, version, digest, blob FROM detector_state WHERE parlor = $1 ORDER BY stall"


class DetectorState:
    """The table ``detector_state`` of one open file, remembering what it last wrote."""

    def __init__(self, connection: duckdb.DuckDBPyConnection) -> None:
        self._connection = connection
        self._written: dict[str, Checkpoint] = {}

    def forget(self) -> None:
        """Drop the memory of what was written, after a transaction that came to nothing."""
        self._written.clear()

    def read(self, parlor: str) -> Checkpoint | None:
        """Return the stored state of a parlor, None when there is none."""
        rows = self._connection.execute(_READ, [parlor]).fetchall()
        if not rows:
            return None
        _, version, digest, _ = rows[0]
        return Checkpoint(version=version, digest=digest, blobs={stall: blob for stall, _, _, blob in rows})

    def write(self, parlor: str, state: Checkpoint) -> None:
        """Store the state of a parlor within the open transaction."""
        known = self._written.get(parlor) or self.read(parlor)
        if known is None or _layout(known) != _layout(state):
            self._replace(parlor, state)
        else:
            self._update(parlor, {n: blob for n, blob in state.blobs.items() if blob != known.blobs[n]})
        self._written[parlor] = Checkpoint(
            version=state.version, digest=state.digest, blobs=dict(state.blobs)
        )

    def _replace(self, parlor: str, state: Checkpoint) -> None:
        """Write every blob anew: another detector, other parameters or other stalls."""
        self._connection.execute("DELETE FROM detector_state WHERE parlor = $1", [parlor])
        rows = [(parlor, stall, state.version, state.digest, blob) for stall, blob in state.blobs.items()]
        append_rows(self._connection, "detector_state", rows)

    def _update(self, parlor: str, changed: dict[int, bytes]) -> None:
        """Write the blobs that changed."""
        if changed:
            self._connection.execute(_UPDATE, [parlor, list(changed), list(changed.values())])


def _layout(state: Checkpoint) -> tuple[int, str, frozenset[int]]:
    """Return what must agree for blobs to be updated in place."""
    return state.version, state.digest, frozenset(state.blobs)
