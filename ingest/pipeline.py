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

from detect.checkpoint import Checkpoint
from detect.errors import CheckpointError
from detect.kinds import Channel
from detect.readings import Reading, StallVacuum
from detect.results import Result
from ingest import hold_state
from ingest.decode import Decoder, Frame, Rejected, Stamp
from ingest.sequencer import DEFAULT_LIMITS, Dropped, Gap, HoldLimits, Outcome, Sequencer, Surplus
from ingest.wire import Message
from store.history import Batch, History, Quarantined, Watermark
from store.quarantine import PAYLOAD_LIMIT_BYTES

TOPIC_LIMIT_CHARS: Final = 512
"""A refused message's topic is cut here; a topic may be 64 kB long (engineering choice)."""


class Detector(Protocol):
    """What the pipeline asks of a parlor's detector."""

    def feed(self, reading: Reading) -> list[Result]:
        """Read one reading and return what became certain."""

    def flush(self) -> list[Result]:
        """Close what is open: the record has ended."""

    def checkpoint(self) -> Checkpoint:
        """Return all state."""

    def restore(self, checkpoint: Checkpoint) -> None:
        """Take up a state, or raise CheckpointError."""


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
    """What a batch has come to so far."""

    messages: int = 0
    readings: int = 0
    extra_fields: int = 0
    surplus: Counter[Surplus] = field(default_factory=Counter)
    gaps: list[Gap] = field(default_factory=list)
    results: list[Result] = field(default_factory=list)
    quarantined: list[Quarantined] = field(default_factory=list)
    moved: set[str] = field(default_factory=set)
    vacuum: list[StallVacuum] = field(default_factory=list)


class Pipeline:
    """Join decoder, sequencer, detector and history; use :meth:`open`.

    After a :class:`~detect.errors.StoreError` from :meth:`process` the pipeline is ahead of the
    history: drop it, open the history anew and open another pipeline on it.
    """

    def __init__(
        self, *, history: History, detector: Detector, decoder: Decoder, sequencer: Sequencer, start: Start
    ) -> None:
        self.start = start
        self._history = history
        self._detector = detector
        self._decoder = decoder
        self._sequencer = sequencer
        self._stored_until_ns = sequencer.now_ns
        self._observers: list[Observer] = []

    @classmethod
    def open(
        cls, *, history: History, detector: Detector, decoder: Decoder, limits: HoldLimits = DEFAULT_LIMITS
    ) -> Self:
        """Begin where the history ends.

        Parameters
        ----------
        history:
            An open history that may be written.
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
        start = Start.FRESH
        if stored is not None:
            start = _resume(stored, detector=detector, decoder=decoder, sequencer=sequencer)
        return cls(history=history, detector=detector, decoder=decoder, sequencer=sequencer, start=start)

    def observe(self, observer: Observer) -> None:
        """Tell an observer of every batch after it is durable."""
        self._observers.append(observer)

    def process(self, messages: Sequence[Message]) -> Committed:
        """Take the next messages received, as far as a durable commit.

        Returns
        -------
        Committed
            What they came to; all of the messages may be acknowledged now.

        Raises
        ------
        StoreError
            When nothing of the batch could be stored.
        """
        work = _Work(messages=len(messages))
        for message in messages:
            self._take(message, work)
        return self._commit(work)

    def finish(self) -> Committed:
        """End the record: pass on what is held, close what is open, and commit.

        Raises
        ------
        StoreError
            When it could not be stored.
        """
        work = _Work()
        self._settle(self._sequencer.release(), work)
        work.results += self._detector.flush()
        return self._commit(work)

    def _take(self, message: Message, work: _Work) -> None:
        """Decode one message and pass on what it sets free."""
        decoded = self._decoder.decode(message)
        if isinstance(decoded, Frame):
            self._settle(self._sequencer.push(decoded), work)
            return
        self._settle(self._sequencer.tick(message.recv_ns), work)
        if message.recv_ns <= self._stored_until_ns:
            # It has no place in a topic to be known by, but this receive time was stored before.
            work.surplus[Surplus.DUPLICATE] += 1
        else:
            work.quarantined.append(_quarantined(message, decoded))

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

    def _feed(self, frame: Frame, work: _Work) -> None:
        """Let the detector read a frame, or set it aside when its numbers are impossible."""
        work.moved.add(frame.message.topic)
        work.extra_fields += frame.extra_fields
        if isinstance(frame.content, Rejected):
            work.quarantined.append(_quarantined(frame.message, frame.content))
        else:
            work.readings += 1
            work.results += self._detector.feed(frame.content)
            if isinstance(frame.content, StallVacuum) and frame.content.channel is Channel.CLAW:
                work.vacuum.append(frame.content)

    def _commit(self, work: _Work) -> Committed:
        """Make the batch durable, then tell the observers."""
        batch = Batch(
            parlor=self._decoder.parlor,
            results=work.results,
            quarantined=work.quarantined,
            watermarks={topic: self._mark(topic) for topic in sorted(work.moved)},
            checkpoint=self._checkpoint(),
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
            newest_recv_ns=self._sequencer.now_ns,
        )
        for observer in self._observers:
            observer(committed)
        return committed

    def _mark(self, topic: str) -> Watermark:
        """Return a topic's place as the history keeps it."""
        place = self._sequencer.place(topic)
        return Watermark(place.boot, place.seq, place.t_ns)

    def _checkpoint(self) -> Checkpoint:
        """Return the detector's state together with the frames that wait to be read."""
        state = self._detector.checkpoint()
        blobs = {**state.blobs, hold_state.BLOB_KEY: hold_state.pack(self._sequencer)}
        return Checkpoint(version=state.version, digest=state.digest, blobs=blobs)


def _resume(stored: Checkpoint, *, detector: Detector, decoder: Decoder, sequencer: Sequencer) -> Start:
    """Take up a stored state; one of another detector is left, the places stay good."""
    blobs = dict(stored.blobs)
    waiting = blobs.pop(hold_state.BLOB_KEY, None)
    try:
        if waiting is not None:
            held, now_ns = hold_state.unpack(waiting, decoder)
            sequencer.restore(held, now_ns=now_ns)
        detector.restore(Checkpoint(version=stored.version, digest=stored.digest, blobs=blobs))
    except CheckpointError:
        return Start.RESET
    return Start.RESUMED


def _quarantined(message: Message, rejected: Rejected) -> Quarantined:
    """Keep a bounded copy of a message that cannot be used."""
    return Quarantined(
        recv_ns=message.recv_ns,
        # A topic from a text capture may hold half a surrogate pair, which is no UTF-8.
        topic=message.topic[:TOPIC_LIMIT_CHARS].encode(errors="replace").decode(),
        payload=message.payload[:PAYLOAD_LIMIT_BYTES],
        reason=rejected.reason,
    )
