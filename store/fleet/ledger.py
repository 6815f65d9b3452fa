"""A history in memory: what the pipeline commits to when a parlor's day is worked through at a stroke.

It takes the same batches as :class:`store.history.History` and makes the same rows of them, except that
nothing is kept of the vacuum around events: the captures stay where they are.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Final

from detect.checkpoint import Checkpoint
from detect.results import ConditionEvent, Result
from store.batch import Batch, Watermark
from store.engine import Row
from store.gaps import gap_row
from store.quarantine import DEFAULT_LIMITS, QuarantineLimits, quarantine_row
from store.rows import TABLE_OF, row_of
from store.schema import CONDITION_EVENT, DATA_GAP, QUARANTINE, RESULT_TABLES

LEDGER_TABLES: Final = (*RESULT_TABLES, DATA_GAP, QUARANTINE)
"""The tables a ledger fills."""


@dataclass(frozen=True, slots=True)
class Carried:
    """All that one stretch of a record hands on to the next.

    Attributes
    ----------
    checkpoint:
        State of pipeline and detector; None at the beginning.
    watermarks:
        How far each topic was read.
    conditions:
        Conditions that were told and have not ended: their rows may still be revised.
    """

    checkpoint: Checkpoint | None = None
    watermarks: Mapping[str, Watermark] = field(default_factory=dict)
    conditions: tuple[ConditionEvent, ...] = ()

    def open_rows(self) -> dict[str, list[Row]]:
        """Return the rows of what has not ended, by table."""
        return {CONDITION_EVENT.name: [row_of(condition) for condition in self.conditions]}


class Ledger:
    """Keep one parlor's rows in memory; what is carried goes in at the front and out at the end.

    Parameters
    ----------
    carried:
        From the stretch before.
    limits:
        How much refused input is kept of this stretch, the newest of it.
    """

    def __init__(self, carried: Carried, *, limits: QuarantineLimits = DEFAULT_LIMITS) -> None:
        self._limits = limits
        self._checkpoint = carried.checkpoint
        self._watermarks = dict(carried.watermarks)
        self._open = {_fact(condition): condition for condition in carried.conditions}
        self._refused: deque[tuple[datetime, str, bytes, str]] = deque()
        self._refused_bytes = 0
        self._rows: dict[str, list[Row]] = {table.name: [] for table in LEDGER_TABLES}

    def checkpoint(self, parlor: str) -> Checkpoint | None:  # noqa: ARG002 - a ledger has one parlor
        """Return the state as last committed."""
        return self._checkpoint

    def watermarks(self, parlor: str) -> dict[str, Watermark]:  # noqa: ARG002 - a ledger has one parlor
        """Return how far each topic was read."""
        return dict(self._watermarks)

    def commit(self, batch: Batch) -> None:
        """Take a batch over."""
        for result in batch.results:
            self._tell(result)
        for refused in batch.quarantined:
            self._refuse(quarantine_row(refused))
        self._rows[DATA_GAP.name] += [gap_row(batch.parlor, gap) for gap in batch.missing]
        self._watermarks |= batch.watermarks
        if batch.checkpoint is not None:
            self._checkpoint = batch.checkpoint

    def rows(self) -> dict[str, list[Row]]:
        """Return what was told for good, by table; a condition is told when it has ended."""
        return {**self._rows, QUARANTINE.name: list(self._refused)}

    def carried(self) -> Carried:
        """Return what the next stretch has to know."""
        return Carried(self._checkpoint, dict(self._watermarks), tuple(self._open.values()))

    def _tell(self, result: Result) -> None:
        """Keep a result; of a condition the first report holds, later ones revise it, as in the history.

        Nothing is told of a condition after its end.
        """
        if not isinstance(result, ConditionEvent):
            self._rows[TABLE_OF[type(result)].name].append(row_of(result))
            return
        known = self._open.pop(_fact(result), None)
        if known is not None:
            end_ns = known.end_ns if result.end_ns is None else result.end_ns
            result = replace(known, end_ns=end_ns, evidence=result.evidence)
        if result.end_ns is None:
            self._open[_fact(result)] = result
        else:
            self._rows[CONDITION_EVENT.name].append(row_of(result))

    def _refuse(self, row: tuple[datetime, str, bytes, str]) -> None:
        """Keep a refused message, and drop the oldest above the cap."""
        self._refused.append(row)
        self._refused_bytes += len(row[2])
        while len(self._refused) > self._limits.rows or self._refused_bytes > self._limits.payload_bytes:
            self._refused_bytes -= len(self._refused.popleft()[2])


def _fact(condition: ConditionEvent) -> tuple[int, str, int]:
    """Return what makes two reports the same condition."""
    return condition.stall, condition.condition.value, condition.start_ns
