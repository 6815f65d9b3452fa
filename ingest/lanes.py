"""What of a batch is simply next in its topic, found by compiled code: nearly all of it.

For the time of one batch the places of its topics stand in arrays. Runs of frames of which each is the
next of its topic pass here; a frame that is not goes to the sequencer, which decides as ever.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import numpy as np

from detect.machine import compiled
from ingest.decode import Frame, Stamp
from ingest.record_clock import Clock
from ingest.sequencer import Astray, Dropped, Gap, Outcome, Sequencer
from ingest.usual import Decoded

LONGEST_BOOT: Final = 64
"""Longest boot mark that stands in a lane: the longest of printable ASCII (engineering choice)."""


def _lane_dtype(boot: object) -> np.dtype[np.void]:
    fields = [
        ("open", "i8"),  # the next number may pass without a second look
        ("seq", "i8"),  # last place passed on
        ("t_ns", "i8"),
        ("boot_size", "i8"),  # -1 without a boot mark
        ("moved", "i8"),  # ahead of the sequencer
        ("boot", boot),
    ]
    return np.dtype(fields)


LANE_DTYPE: Final = _lane_dtype(("u1", LONGEST_BOOT))
WORD_DTYPE: Final = _lane_dtype(f"S{LONGEST_BOOT}")
"""The same bytes, for whole boot marks."""


class Lanes:
    """Put the frames of one batch in order, through a sequencer.

    Parameters
    ----------
    sequencer:
        Knows every topic's place; it is up to date again after :meth:`close`.
    batch:
        The messages.
    """

    def __init__(self, sequencer: Sequencer, batch: Decoded) -> None:
        self._sequencer = sequencer
        self._batch = batch
        self._lanes = np.zeros(len(batch.topics.names) + 1, LANE_DTYPE)
        self._moved: set[str] = set()
        self._load(np.unique(batch.numbers).tolist())

    def run(self, at: int) -> int:
        """Pass on frames from ``at`` on; return the first that needs a second look."""
        batch, clock = self._batch, self._sequencer.clock
        if clock.last_recv_ns is None:
            return at
        limits = (self._sequencer.next_expiry_ns(), self._sequencer.limits.pause_ns)
        times = (clock.elapsed_ns, clock.last_recv_ns, clock.newest_recv_ns)
        columns = (batch.numbers, batch.readings.rows, batch.stamps, batch.messages.recv_ns)
        stop, elapsed_ns, last_ns, newest_ns = run_lanes(self._lanes, columns, batch.text, at, times, limits)
        self._sequencer.clock = Clock(elapsed_ns, last_ns, newest_ns)
        return stop

    def push(self, frame: Frame) -> list[Outcome]:
        """Let the sequencer take one frame."""
        number = self._batch.topics.numbers[frame.message.topic]
        self._store([number])
        return self._reread(self._sequencer.push(frame), number)

    def tick(self, recv_ns: int) -> list[Outcome]:
        """Let the sequencer take note of a message that has no place in a topic."""
        return self._reread(self._sequencer.tick(recv_ns))

    def close(self) -> set[str]:
        """Give all places back to the sequencer; return the topics of which frames passed here."""
        self._store(np.flatnonzero(self._lanes["moved"]).tolist())
        return self._moved

    def _reread(self, outcomes: Sequence[Outcome], *numbers: int) -> list[Outcome]:
        """Take up the places of all topics that the sequencer has touched."""
        known = self._batch.topics.numbers
        touched = {known[topic_of(outcome)] for outcome in outcomes if topic_of(outcome) in known}
        if touched or numbers:
            self._load([*touched.union(numbers)])
        return list(outcomes)

    def _load(self, numbers: list[int]) -> None:
        """Take up the places of topics from the sequencer."""
        names, lanes = self._batch.topics.names, self._lanes.view(WORD_DTYPE)
        lanes["open"][numbers] = 0
        places = ((n, self._sequencer.free_place(names[n])) for n in numbers if n < len(names))
        marked = [(n, place, (place.boot or "").encode()) for n, place in places if place is not None]
        marked = [(n, place, mark) for n, place, mark in marked if len(mark) <= LONGEST_BOOT]
        if marked:
            free = [n for n, _, _ in marked]
            lanes["open"][free] = 1
            lanes["seq"][free] = [place.seq for _, place, _ in marked]
            lanes["t_ns"][free] = [place.t_ns for _, place, _ in marked]
            lanes["boot_size"][free] = [-1 if place.boot is None else len(mark) for _, place, mark in marked]
            lanes["boot"][free] = [mark for _, _, mark in marked]

    def _store(self, numbers: list[int]) -> None:
        """Give the places of topics that went on back to the sequencer."""
        lanes = self._lanes.view(WORD_DTYPE)[numbers]
        columns = (lanes[name].tolist() for name in ("moved", "seq", "t_ns", "boot_size", "boot"))
        for number, moved, seq, t_ns, size, mark in zip(numbers, *columns, strict=True):
            if moved:
                name = self._batch.topics.names[number]
                self._sequencer.move(name, Stamp(mark.decode() if size >= 0 else None, seq, t_ns))
                self._moved.add(name)
        self._lanes["moved"][numbers] = 0


def topic_of(outcome: Outcome) -> str:
    """Return the topic that an outcome is of."""
    match outcome:
        case Gap():
            return outcome.topic
        case Dropped() | Astray():
            return outcome.frame.message.topic
        case Frame():
            return outcome.message.topic


@compiled
def is_next(lane: Any, stamp: Any, text: Any) -> bool:
    """Tell whether a frame is the next one of its topic, of the same boot mark."""
    if lane.open == 0 or stamp.read == 0 or stamp.seq != lane.seq + 1 or stamp.boot_size != lane.boot_size:
        return False
    for k in range(stamp.boot_size):
        if text[stamp.boot_at + k] != lane.boot[k]:
            return False
    return True


@compiled
def run_lanes(
    lanes: Any, columns: Any, text: Any, at: int, times: tuple[int, int, int], limits: tuple[int, int]
) -> tuple[int, int, int, int]:
    """Pass on frames that are next; return where it ended and the clock's three times there.

    ``limits`` are the elapsed time [ns] after which a waiting topic is given up, and what a pause
    counts at most. The clock is that of :class:`ingest.record_clock.Clock`.
    """
    numbers, rows, stamps, recv_ns = columns
    elapsed, last, newest = times
    expiry, pause = limits
    while at < numbers.shape[0]:
        lane, step = lanes[numbers[at]], min(max(recv_ns[at] - last, 0), pause)
        if elapsed + step > expiry or not is_next(lane, stamps[at], text):
            break
        elapsed, last, newest = elapsed + step, recv_ns[at], max(newest, recv_ns[at])
        lane.seq, lane.t_ns = stamps[at].seq, max(lane.t_ns, rows[at].t_ns)
        lane.moved = 1
        at += 1
    return at, elapsed, last, newest
