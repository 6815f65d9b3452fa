"""The claw vacuum around each air event, from 5 s before it to 5 s after it, kept with the event.

The newest minutes of vacuum stand in the table ``recent_trace``, in the same transaction as everything
else. Once a stall's vacuum has passed the end of an event by 5 s, the clip is cut from there and from what
the batch brings; so clips do not depend on batches, and a crash neither loses nor doubles one. A sample
that never came is null. The exception: where other stalls name their cows and this one does not, an event
is told when its milking ends; if that is more than five minutes later, its vacuum is found only where one
batch is as long, else its clip has no samples.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from operator import attrgetter
from typing import Final

import duckdb
import numpy as np

from detect.results import AirEvent, Result
from store.batch import Trace
from store.engine import Row, append_rows
from store.rows import instant
from store.schema import CLIP

MARGIN_NS: Final = 5_000_000_000
"""Vacuum kept before and after an event [ns]."""
LONGEST_NS: Final = 20_000_000_000
"""Of a longer event only so much is kept [ns]: a unit on the floor looks the same all along."""
RECENT_NS: Final = 300_000_000_000
"""Vacuum at hand for clips [ns]: the longest clip and the detector's delay."""
TRIM_EVERY_BYTES: Final = 4_000_000
"""Stored between two removals of what is not recent: two minutes of 80 stalls (engineering choice)."""
ROW_BYTES: Final = 100
"""What a row weighs besides its samples."""

_PENDING: Final = """
SELECT event.event_id, event.stall, epoch_ns(event.start_at), epoch_ns(event.end_at)
FROM air_event AS event JOIN (
    SELECT parlor, stall, max(end_ns) AS newest_ns FROM recent_trace WHERE parlor = $1 GROUP BY ALL
) AS recent USING (parlor, stall)
WHERE epoch_ns(event.end_at) > newest_ns - $2 AND NOT EXISTS (FROM clip WHERE clip.event_id = event.event_id)
"""
_NEWEST: Final = "SELECT stall, max(end_ns) FROM recent_trace WHERE parlor = $1 GROUP BY stall"
_FRAMES: Final = """
SELECT stall, t_ns, end_ns, rate_hz, samples FROM recent_trace
WHERE parlor = $1 AND list_contains($2::INTEGER[], stall) AND end_ns > $3 AND t_ns < $4
"""
"""One question for all that is due: each costs more than the frames that it brings in vain."""
_TRIM: Final = """
DELETE FROM recent_trace USING (
    SELECT parlor, stall, max(end_ns) AS newest_ns FROM recent_trace GROUP BY ALL
) AS recent
WHERE recent_trace.parlor = recent.parlor AND recent_trace.stall = recent.stall
    AND recent_trace.end_ns < recent.newest_ns - $1
"""


@dataclass(frozen=True, slots=True)
class _Due:
    """An event that waits for its clip."""

    event_id: str
    stall: int
    start_ns: int
    end_ns: int


class Clips:
    """The tables ``clip`` and ``recent_trace`` of one open file."""

    def __init__(self, connection: duckdb.DuckDBPyConnection) -> None:
        self._connection = connection
        self._waiting: dict[str, dict[str, _Due]] = {}
        self._newest_ns: dict[str, dict[int, int]] = {}
        self._untrimmed_bytes = 0

    def forget(self) -> None:
        """Drop what is remembered, after a transaction that came to nothing."""
        self._waiting.clear()
        self._newest_ns.clear()

    def append(self, parlor: str, vacuum: Sequence[Trace], results: Iterable[Result]) -> None:
        """Store vacuum within the open transaction, and the clips that it completes."""
        if not vacuum and parlor not in self._waiting:
            return
        waiting, newest_ns = self._remembered(parlor)
        for trace in vacuum:
            newest_ns[trace.stall] = max(trace.end_ns, newest_ns.get(trace.stall, 0))
        for told in results:  # those of this batch may have been read from the file just now
            if isinstance(told, AirEvent):
                waiting[told.event_id] = _Due(told.event_id, told.stall, told.start_ns, told.end_ns)
        due = [event for event in waiting.values() if newest_ns.get(event.stall, 0) >= _clip_end_ns(event)]
        append_rows(self._connection, CLIP.name, self._cut(parlor, due, vacuum))
        for event in due:
            del waiting[event.event_id]
        recent = [trace for trace in vacuum if trace.end_ns >= newest_ns[trace.stall] - RECENT_NS]
        rows = [(parlor, t.stall, t.t_ns, t.end_ns, t.rate_hz, t.samples) for t in recent]
        append_rows(self._connection, "recent_trace", rows)
        self._trim(sum(ROW_BYTES + len(trace.samples) for trace in recent))

    def _remembered(self, parlor: str) -> tuple[dict[str, _Due], dict[int, int]]:
        """Return the events that wait and how far each stall is, from the file at first."""
        if parlor not in self._waiting:
            rows = self._connection.execute(_PENDING, [parlor, RECENT_NS]).fetchall()
            self._waiting[parlor] = {row[0]: _Due(*row) for row in rows}
            self._newest_ns[parlor] = dict(self._connection.execute(_NEWEST, [parlor]).fetchall())
        return self._waiting[parlor], self._newest_ns[parlor]

    def _cut(self, parlor: str, due: Sequence[_Due], vacuum: Iterable[Trace]) -> list[Row]:
        """Cut the clips of events, out of what is stored and what has just come, as rows of their table."""
        if not due:
            return []
        begin_ns, end_ns = min(map(_clip_begin_ns, due)), max(map(_clip_end_ns, due))
        stalls = sorted({event.stall for event in due})
        at_hand: dict[int, list[Trace]] = {stall: [] for stall in stalls}
        stored = self._connection.execute(_FRAMES, [parlor, stalls, begin_ns, end_ns]).fetchall()
        for trace in (*(Trace(*row) for row in stored), *vacuum):
            if trace.stall in at_hand:
                at_hand[trace.stall].append(trace)
        return [_clip(parlor, event, at_hand[event.stall]) for event in due]

    def _trim(self, stored_bytes: int) -> None:
        """Remove what is no longer recent, now and then."""
        self._untrimmed_bytes += stored_bytes
        if self._untrimmed_bytes >= TRIM_EVERY_BYTES:
            self._connection.execute(_TRIM, [RECENT_NS])
            self._untrimmed_bytes = 0


def _clip_begin_ns(event: _Due) -> int:
    return event.start_ns - MARGIN_NS


def _clip_end_ns(event: _Due) -> int:
    return min(event.end_ns, event.start_ns + LONGEST_NS) + MARGIN_NS


def _clip(parlor: str, event: _Due, traces: Iterable[Trace]) -> Row:
    """Cut the clip of one event out of its stall's traces, as a row of its table."""
    begin_ns, end_ns = _clip_begin_ns(event), _clip_end_ns(event)
    within = (trace for trace in traces if trace.end_ns > begin_ns and trace.t_ns < end_ns)
    frames = sorted(within, key=attrgetter("t_ns"))
    rate_hz = frames[0].rate_hz if frames else 0.0
    samples: list[int | None] = [None] * round((end_ns - begin_ns) * rate_hz / 1e9)
    for frame in frames:
        if frame.rate_hz == rate_hz:
            first = math.floor((frame.t_ns - begin_ns) * rate_hz / 1e9 + 0.5)
            values = np.frombuffer(frame.samples, "<i2")
            begin, end = max(first, 0), min(first + len(values), len(samples))
            samples[begin:end] = values[begin - first : max(end - first, 0)].tolist()
    return (event.event_id, parlor, event.stall, instant(begin_ns), rate_hz, samples)
