"""The one path from messages to committed results, for the live service and for a replay alike.

Decode, put in order, detect, and store results, refused messages, places and detector state in ONE
transaction. Only then may the messages be acknowledged and the observers told.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Final, Protocol, Self

from detect.batch import ReadingBatch
from detect.checkpoint import Checkpoint
from detect.errors import CheckpointError
from detect.results import Result
from ingest import hold_state
from ingest.decode import Decoder, Frame, Rejected, Stamp
from ingest.lanes import Lanes
from ingest.messages import Messages
from ingest.redelivery import Mark, Origin, Redelivery
from ingest.sequencer import DEFAULT_LIMITS, Astray, Dropped, Gap, HoldLimits, Outcome, Sequencer, Surplus
from ingest.traces import traces
from ingest.unread import missing, quarantined
from ingest.usual import Decoded, decode_all
from ingest.wire import Message
from store.batch import Batch, Quarantined, Trace, Watermark

_ASTRAY: Final = Rejected("impossible sequence number: far from all others of its topic")
Came = tuple[Message, Origin | None]
"""A message, and how it came from a broker."""


class Detector(Protocol):
    """What the pipeline asks of a parlor's detector."""

    def feed_batch(self, batch: ReadingBatch) -> list[Result]:
        """Read readings and return what became certain."""

    def flush(self) -> list[Result]:
        """Close what is open: the record has ended."""

    def checkpoint(self) -> Checkpoint:
        """Return all state."""

    def restore(self, checkpoint: Checkpoint) -> None:
        """Take up a state, or raise CheckpointError."""


class ResultStore(Protocol):
    """What the pipeline asks of where its batches are kept: a history, or a fleet's memory of a day."""

    def checkpoint(self, parlor: str) -> Checkpoint | None:
        """Return the state as last committed, None when there is none."""

    def watermarks(self, parlor: str) -> Mapping[str, Watermark]:
        """Return how far each topic of a parlor was read, by full topic."""

    def commit(self, batch: Batch) -> None:
        """Keep a batch, all of it or nothing."""


class Start(StrEnum):
    """How a pipeline began."""

    FRESH = "fresh"
    RESUMED = "resumed"
    RESET = "reset"
    """The stored detector state is of another version or other parameters: begun without it."""


@dataclass(frozen=True, slots=True)
class Committed:
    """What one batch came to, told after it is durable.

    ``surplus`` counts frames dropped as duplicate or stale, and broken messages met a second time;
    ``moved`` holds the place of every topic that went on; ``held`` frames still wait for an earlier
    one; ``newest_recv_ns`` is the latest receive time seen.
    """

    messages: int
    readings: int
    extra_fields: int
    surplus: Mapping[Surplus, int]
    gaps: tuple[Gap, ...]
    results: tuple[Result, ...]
    quarantined: tuple[Quarantined, ...]
    moved: Mapping[str, Watermark]
    held: int
    newest_recv_ns: int


Observer = Callable[[Committed], None]


@dataclass(slots=True)
class _Work:
    """What has been read since the last commit, and what it has come to."""

    messages: int = 0
    readings: int = 0
    extra_fields: int = 0
    surplus: Counter[Surplus] = field(default_factory=Counter)
    gaps: list[Gap] = field(default_factory=list)
    results: list[Result] = field(default_factory=list)
    quarantined: list[Quarantined] = field(default_factory=list)
    moved: set[str] = field(default_factory=set)
    ready: list[ReadingBatch] = field(default_factory=list)
    """In order, for the detector."""
    vacuum: list[Trace] = field(default_factory=list)


class Pipeline:
    """Join decoder, sequencer, detector and history; use :meth:`open`.

    After a :class:`~detect.errors.StoreError` from :meth:`process` the pipeline is ahead of the
    history: drop it, open the history anew and open another pipeline on it.
    """

    def __init__(
        self,
        *,
        history: ResultStore,
        detector: Detector,
        decoder: Decoder,
        sequencer: Sequencer,
        redelivery: Redelivery,
        start: Start,
    ) -> None:
        self.start = start
        self._history = history
        self._detector = detector
        self._decoder = decoder
        self._sequencer = sequencer
        self._redelivery = redelivery
        self._stored_until_ns = sequencer.clock.newest_recv_ns
        self._work = _Work()
        self._observers: list[Observer] = []

    @classmethod
    def open(
        cls,
        *,
        history: ResultStore,
        detector: Detector,
        decoder: Decoder,
        limits: HoldLimits = DEFAULT_LIMITS,
    ) -> Self:
        """Begin where the history ends.

        Parameters
        ----------
        history:
            An open history that may be written, or what stands for one.
        detector:
            A new detector of this parlor; it takes up the stored state.
        decoder:
            How the parlor's messages are read.
        limits:
            How long a missing frame is waited for.
        """
        stored = history.checkpoint(decoder.parlor)
        marks = history.watermarks(decoder.parlor)
        places = {topic: Stamp(mark.boot, mark.seq, mark.t_ns) for topic, mark in marks.items()}
        sequencer = Sequencer(places, limits=limits)
        start, memory = Start.FRESH, None
        if stored is not None:
            start, memory = _resume(stored, detector=detector, decoder=decoder)
        if memory is not None:
            sequencer.restore(memory.held, clock=memory.clock, pasts=memory.pasts)
        return cls(
            history=history,
            detector=detector,
            decoder=decoder,
            sequencer=sequencer,
            redelivery=Redelivery(memory.marks if memory else ()),
            start=start,
        )

    def observe(self, observer: Observer) -> None:
        """Tell an observer of every batch after it is durable."""
        self._observers.append(observer)

    def process(self, messages: Sequence[Message], origins: Sequence[Origin] = ()) -> Committed:
        """Take the next messages received, as far as a durable commit.

        Parameters
        ----------
        messages:
            In the order in which they came.
        origins:
            How each came from a broker; empty for messages of a record.

        Returns
        -------
        Committed
            What they came to; all of the messages may be acknowledged now.

        Raises
        ------
        StoreError
            When nothing of the batch could be stored.
        """
        return self.take(self.decode(Messages.of(messages)), origins)

    def decode(self, messages: Messages) -> Decoded:
        """Read messages; nothing is remembered of them, so a thread of its own may do it."""
        return decode_all(self._decoder, messages)

    def take(self, batch: Decoded, origins: Sequence[Origin] = ()) -> Committed:
        """Take messages that were decoded by this pipeline's decoder, as :meth:`process` does."""
        self.read(batch, origins)
        return self.commit()

    @property
    def pending(self) -> int:
        """Return how many messages were read since the last commit; nothing is told of them yet."""
        return self._work.messages

    @property
    def refused(self) -> int:
        """Return how many of those are to be set aside, each with a copy of its payload."""
        return len(self._work.quarantined)

    def read(self, batch: Decoded, origins: Sequence[Origin] = ()) -> None:
        """Read messages that were decoded by this pipeline's decoder; :meth:`commit` makes them durable."""
        work = self._work
        work.messages += len(batch)
        lanes = Lanes(self._sequencer, batch)
        at = 0
        while at < len(batch):
            stop = lanes.run(at)
            self._pass(batch, at, stop, work)
            for origin in origins[at : stop + 1]:
                self._redelivery.pass_by(origin)
            if stop < len(batch):
                self._take(batch.frame(stop), (batch.messages[stop], _at(origins, stop)), lanes, work)
            at = stop + 1
        work.moved |= lanes.close()
        self._detect(work)

    def finish(self) -> Committed:
        """End the record: pass on what is held, close what is open, and commit.

        Raises
        ------
        StoreError
            When it could not be stored.
        """
        self._settle(self._sequencer.release(), self._work)
        self._detect(self._work)
        self._work.results += self._detector.flush()
        return self.commit()

    def _pass(self, batch: Decoded, at: int, stop: int, work: _Work) -> None:
        """Let the detector read frames that are next in order."""
        if stop > at:
            work.readings += stop - at
            work.ready.append(batch.readings.part(at, stop))

    def _take(self, decoded: Frame | Rejected, came: Came, lanes: Lanes, work: _Work) -> None:
        """Take one message that needs a second look, and pass on what it sets free."""
        if isinstance(decoded, Rejected):
            self._refuse(came, decoded, lanes, work)
            return
        outcomes = lanes.push(decoded)
        self._settle(outcomes, work)
        if outcomes and isinstance(outcomes[-1], Astray):
            self._refuse(came, _ASTRAY, lanes, work)

    def _refuse(self, came: Came, why: Rejected, lanes: Lanes, work: _Work) -> None:
        """Set aside a message that has no place in a topic to be known by, once.

        From a broker it is known by how it came; in a record by a receive time that was stored before.
        """
        message, origin = came
        if origin is not None:
            known = self._redelivery.is_repeat(Mark.of(origin.mid, message))
        else:
            known = message.recv_ns <= self._stored_until_ns
        if known:
            work.surplus[Surplus.DUPLICATE] += 1
            self._sequencer.pass_over(message.recv_ns)
        else:
            self._settle(lanes.tick(message.recv_ns), work)
            work.quarantined.append(quarantined(message, why))

    def _detect(self, work: _Work) -> None:
        """Let the detector read what is in order, and keep the vacuum of which clips are cut."""
        ready = ReadingBatch.join(work.ready)
        work.ready.clear()
        work.results += self._detector.feed_batch(ready)
        work.vacuum += traces(ready)

    def _settle(self, outcomes: Sequence[Outcome], work: _Work) -> None:
        """Give frames in order to the detector, keep count of the rest."""
        for outcome in outcomes:
            match outcome:
                case Frame():
                    self._feed(outcome, work)
                case Gap():
                    work.gaps.append(outcome)
                    work.moved.add(outcome.topic)
                case Dropped():
                    work.surplus[outcome.why] += 1
                case Astray():
                    pass  # refused by the caller, which knows how it came

    def _feed(self, frame: Frame, work: _Work) -> None:
        """Pass a frame on to the detector, or set it aside when its numbers are impossible."""
        work.moved.add(frame.message.topic)
        work.extra_fields += frame.extra_fields
        if isinstance(frame.content, Rejected):
            work.quarantined.append(quarantined(frame.message, frame.content))
        else:
            work.readings += 1
            work.ready.append(ReadingBatch.of([frame.content]))

    def commit(self) -> Committed:
        """Make all that was read since the last commit durable, then tell the observers.

        Raises
        ------
        StoreError
            When nothing of it could be stored.
        """
        work, self._work = self._work, _Work()
        batch = Batch(
            parlor=self._decoder.parlor,
            results=work.results,
            quarantined=work.quarantined,
            watermarks={topic: self._mark(topic) for topic in sorted(work.moved)},
            checkpoint=self._checkpoint(),
            missing=[missing(gap) for gap in work.gaps],
            vacuum=work.vacuum,
        )
        self._history.commit(batch)
        committed = Committed(
            messages=work.messages,
            readings=work.readings,
            extra_fields=work.extra_fields,
            surplus=dict(work.surplus),
            gaps=tuple(work.gaps),
            results=tuple(work.results),
            quarantined=tuple(work.quarantined),
            moved=batch.watermarks,
            held=len(self._sequencer.held()),
            newest_recv_ns=self._sequencer.clock.newest_recv_ns,
        )
        for observer in self._observers:
            observer(committed)
        return committed

    def _mark(self, topic: str) -> Watermark:
        """Return a topic's place as the history keeps it."""
        place = self._sequencer.place(topic)
        return Watermark(place.boot, place.seq, place.t_ns)

    def _checkpoint(self) -> Checkpoint:
        """Return the detector's state together with what the pipeline itself remembers."""
        state = self._detector.checkpoint()
        memory = hold_state.pack(self._sequencer, self._redelivery.marks())
        blobs = {**state.blobs, hold_state.BLOB_KEY: memory}
        return Checkpoint(version=state.version, digest=state.digest, blobs=blobs)


def _at(origins: Sequence[Origin], at: int) -> Origin | None:
    return origins[at] if origins else None


def _resume(
    stored: Checkpoint, *, detector: Detector, decoder: Decoder
) -> tuple[Start, hold_state.Memory | None]:
    """Take up a stored state; one of another detector is left, the places stay good."""
    blobs = dict(stored.blobs)
    packed = blobs.pop(hold_state.BLOB_KEY, None)
    memory = None
    try:
        if packed is not None:
            memory = hold_state.unpack(packed, decoder)
        detector.restore(Checkpoint(version=stored.version, digest=stored.digest, blobs=blobs))
    except CheckpointError:
        return Start.RESET, memory
    return Start.RESUMED, memory
