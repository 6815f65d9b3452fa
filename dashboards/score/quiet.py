"""The noise a detector has to hear through: its own air estimate where nothing happened.

The estimate is read out of the detector's state while a capture is fed to it, and cut to stretches in which
the truth knows of nothing. Where the detector itself took something for air it holds its reference, and
nothing can be read; those bins are left out, so the tail of the noise comes out a little too light.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Final

import numpy as np

from dashboards.matching import NS_PER_S, Spell
from dashboards.score.bound import FloatArray
from dashboards.score.spells import Record
from detect.params import BIN_NS, BIN_S
from detect.parlor import ParlorDetector
from detect.state import RING, Opening
from ingest.capture import read_capture
from ingest.decode import Decoder, Frame, Rejected
from ingest.survey import survey

SETTLED_S: Final = 60.0
"""So long after attaching the noise is that of a milking [s] (engineering choice)."""
LEAVING_S: Final = 15.0
"""So long before its end a milking may be about to end [s] (engineering choice)."""
CLEAR_S: Final = 5.0
"""Distance from any true event or dip [s]; as long as a pause within a train."""

Piece = tuple[int, FloatArray]
"""Bin since 1970 of the first value, and the values [L/min]."""


class Ear:
    """Read the air estimate of every stall out of a detector, piece by piece without a gap.

    Parameters
    ----------
    detector:
        The detector; feed it, then let :meth:`read`.
    """

    def __init__(self, detector: ParlorDetector) -> None:
        self._detector = detector
        self._done = detector.timeline.done_bin
        self._seen = [0] * len(detector.books)
        self._pieces: list[list[tuple[int, list[FloatArray]]]] = [[] for _ in detector.books]
        self._open = [False] * len(detector.books)

    def read(self) -> None:
        """Take over what the detector has worked since the last call."""
        done = self._detector.timeline.done_bin
        new, before = done - self._done, self._done
        if new <= 0:
            return
        self._done = done
        for index in range(len(self._seen)):
            seen = int(self._detector.state[index]["air_seen"])
            whole = (
                before >= 0 and new < RING and seen - self._seen[index] == new and self._calm(index, before)
            )
            self._seen[index] = seen
            if whole:
                self._append(index, before, self._newest(index, seen, new))
            self._open[index] = whole

    def pieces(self) -> list[list[Piece]]:
        """Return what was read, stall by stall."""
        return [[(first, np.concatenate(parts)) for first, parts in stall] for stall in self._pieces]

    def _calm(self, index: int, first_bin: int) -> bool:
        s = self._detector.state[index]
        return bool(s["opening"] == Opening.NONE and s["hold_until"] <= first_bin)

    def _newest(self, index: int, seen: int, count: int) -> FloatArray:
        """Return the newest values out of the running sum of litres."""
        places = np.arange(seen - count - 1, seen) & (RING - 1)
        result: FloatArray = np.diff(self._detector.state[index]["air_sum"][places]) * 60.0 / BIN_S
        return result

    def _append(self, index: int, first_bin: int, values: FloatArray) -> None:
        if self._open[index]:
            self._pieces[index][-1][1].append(values)
        else:
            self._pieces[index].append((first_bin, [values]))


def listen(capture: Path) -> list[list[Piece]]:
    """Return the air estimate of every stall over a capture, stall 1 first."""
    found = survey(capture)
    decoder = Decoder(found.root, found.parlor, found.stalls)
    detector = ParlorDetector(parlor=found.parlor, stalls=found.stalls)
    ear = Ear(detector)
    for message in read_capture(capture):
        frame = decoder.decode(message)
        if isinstance(frame, Frame) and not isinstance(frame.content, Rejected):
            detector.feed(frame.content)
            ear.read()
    return ear.pieces()


def quiet_stretches(pieces: list[list[Piece]], truth: Record) -> list[FloatArray]:
    """Cut the air estimate to what lies well within milkings and clear of all that truly happened.

    Parameters
    ----------
    pieces:
        As :func:`listen` returns them.
    truth:
        Of the same record, of one parlor; what it does not tell cannot be cut out.
    """
    stretches: list[FloatArray] = []
    for index, stall in enumerate(pieces):
        milkings = _of(truth.milkings or (), index + 1)
        loud = [*_of(truth.events or (), index + 1), *(truth.plant or ())]
        for first, values in stall:
            bins = first + np.arange(values.size)
            wanted = np.zeros(values.size, dtype=bool)
            for milking in milkings:
                wanted |= _between(bins, milking, SETTLED_S, -LEAVING_S)
            for spell in loud:
                wanted &= ~_between(bins, spell, -CLEAR_S, CLEAR_S)
            stretches += _runs(values, wanted)
    return stretches


def _of(spells: Iterable[Spell], stall: int) -> list[Spell]:
    return [spell for spell in spells if spell.stall == stall]


def _between(
    bins: np.ndarray[tuple[int], np.dtype[np.int64]], spell: Spell, after_s: float, past_s: float
) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Tell which bins lie from ``after_s`` after a spell's start to ``past_s`` past its end."""
    first = (spell.start_ns + round(after_s * NS_PER_S)) // BIN_NS
    last = (spell.end_ns + round(past_s * NS_PER_S)) // BIN_NS
    return (bins >= first) & (bins <= last)


def _runs(values: FloatArray, wanted: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> Iterator[FloatArray]:
    """Yield the unbroken runs of wanted values."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], wanted, [False]]).astype(np.int8)))
    for start, end in zip(edges[::2], edges[1::2], strict=True):
        yield values[start:end]
