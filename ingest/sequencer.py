"""Put each topic's frames in order: drop what was read before, wait briefly for what is late, tell gaps.

Everything follows from the messages alone, their receive times included, so a replay decides as the
live service did. A message is in one of these relations to the last frame passed on:

- the same boot mark and the next number: passed on;
- a higher number: held until the missing ones come, for a bounded time and number of frames;
- a number that was passed before: a duplicate;
- a boot mark not seen before, or without boot marks a lower number and a time later than any before:
  the device has restarted and counts from 0;
- a former boot mark with an old time, or without boot marks a number and a time from before a
  restart: stale, a copy that comes late;
- a number no outage explains: astray, for the quarantine. It must not become the place of its topic,
  or every frame after it would look old.

Numbers and boot marks decide, not the device's clock: it may jump either way. One case is left: a
device without a boot mark that restarts while its clock is set back looks like a copy of itself
until its clock has caught up.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Final

from ingest.decode import Frame, Stamp
from ingest.record_clock import Clock
from ingest.relation import NO_PAST, Past, Relation, after_restart, relation
from ingest.wire import Address


@dataclass(frozen=True, slots=True)
class HoldLimits:
    """How long a topic waits for a missing frame: by the device's clock, the receiver's, and in frames.

    Engineering choices. What overtakes does so by a frame or two: ``device_ns`` of newer data is the
    measure that also holds when a record runs faster than time, and it stays under the detector's
    patience with a silent stream, or one lost frame would cost its stall seconds of data. ``wait_ns``
    of receive time ends the wait of a topic that has gone quiet behind its gap. A pause of the whole
    record counts as ``pause_ns`` at most: while the service is down nothing can come, and what is
    missing may be the next message the broker has in store.
    """

    device_ns: int = 2_500_000_000
    wait_ns: int = 3 * 10**9
    pause_ns: int = 10**9
    frames: int = 64


DEFAULT_LIMITS: Final = HoldLimits()
NEVER_NS: Final = 2**63 - 1


class Surplus(StrEnum):
    """Why a readable frame is not passed on."""

    DUPLICATE = "duplicate"
    STALE = "stale"


@dataclass(frozen=True, slots=True)
class Dropped:
    """A frame that was not passed on."""

    frame: Frame
    why: Surplus


@dataclass(frozen=True, slots=True)
class Astray:
    """A frame whose number is far from all others of its topic."""

    frame: Frame


@dataclass(frozen=True, slots=True)
class Gap:
    """Numbers of one topic that never came, and the device times [ns] before and after them."""

    topic: str
    address: Address
    first_seq: int
    last_seq: int
    after_ns: int
    before_ns: int
    boot: str | None = None

    @property
    def frames(self) -> int:
        """Number of missing frames."""
        return self.last_seq - self.first_seq + 1


Outcome = Frame | Gap | Dropped | Astray


@dataclass(frozen=True, slots=True)
class Held:
    """A frame that waits for an earlier one, since when [ns of the sequencer's clock]."""

    frame: Frame
    since_ns: int


_SURPLUS: Final = (Relation.DUPLICATE, Relation.STALE)


@dataclass(slots=True)
class _Stream:
    """One topic: the last place passed on and the frames held behind a gap, by number.

    The time of ``last`` is the latest ever passed on: it never falls, or old frames would look like
    a restart.
    """

    last: Stamp
    held: dict[int, Held] = field(default_factory=dict)
    past: Past = NO_PAST


class Sequencer:
    """Order the frames of all topics of one parlor.

    Parameters
    ----------
    places:
        The last place passed on of each topic, as durably stored.
    limits:
        How long a missing frame is waited for.
    """

    def __init__(self, places: Mapping[str, Stamp], *, limits: HoldLimits = DEFAULT_LIMITS) -> None:
        self.limits = limits
        self.clock = Clock()
        self._streams = {topic: _Stream(place) for topic, place in places.items()}
        self._waiting: set[str] = set()
        self._oldest_ns = 0

    def place(self, topic: str) -> Stamp:
        """Return the last place of a topic that was passed on."""
        return self._streams[topic].last

    def free_place(self, topic: str) -> Stamp | None:
        """Return the last place of a topic if the next number may follow whatever its time; None if not."""
        stream = self._streams.get(topic)
        if stream is None or stream.held or (stream.last.boot is None and stream.past.end is not None):
            return None
        return stream.last

    def move(self, topic: str, place: Stamp) -> None:
        """Take note that the frames up to a place were passed on, each the next of its topic."""
        self._streams[topic].last = place

    def next_expiry_ns(self) -> int:
        """Return the clock's time [ns] after which the longest waiting topic is given up."""
        return self._oldest_ns + self.limits.wait_ns if self._waiting else NEVER_NS

    def held(self) -> list[Held]:
        """Return all frames that wait, in the order in which they came."""
        waiting = (held for topic in self._waiting for held in self._streams[topic].held.values())
        return sorted(
            waiting, key=lambda held: (held.since_ns, held.frame.message.topic, held.frame.stamp.seq)
        )

    def pasts(self) -> dict[str, Past]:
        """Return what is remembered of the topics whose devices have restarted."""
        return {topic: stream.past for topic, stream in self._streams.items() if stream.past != NO_PAST}

    def restore(self, held: Iterable[Held], *, clock: Clock, pasts: Mapping[str, Past]) -> None:
        """Take up what was so when the places were stored: frames that waited, the clock, restarts."""
        self.clock = clock
        for topic in pasts.keys() & self._streams.keys():
            self._streams[topic].past = pasts[topic]
        for waiting in held:
            self._admit(waiting.frame, waiting.since_ns)
        self._find_oldest()

    def push(self, frame: Frame) -> list[Outcome]:
        """Take the next frame received.

        Returns
        -------
        list[Outcome]
            Frames now in order (of any topic), gaps given up on, and last the frame itself if it is
            not passed on or held.
        """
        outcomes: list[Outcome] = []
        if self._is_surplus(frame):
            self.pass_over(frame.message.recv_ns)
        else:
            outcomes = self.tick(frame.message.recv_ns)
        return outcomes + self._admit(frame, self.clock.elapsed_ns)

    def pass_over(self, recv_ns: int) -> None:
        """Take note of the receive time [ns] of a message that had come before."""
        self.clock = self.clock.again(recv_ns)

    def tick(self, recv_ns: int) -> list[Outcome]:
        """Take note of a receive time [ns], of whatever message, and give up on what waited too long."""
        self.clock = self.clock.at(recv_ns, pause_ns=self.limits.pause_ns)
        return self._expire() if self._waiting else []

    def release(self) -> list[Outcome]:
        """Pass on everything held: the record has ended, nothing more can come."""
        outcomes: list[Outcome] = []
        for topic in self._by_age():
            outcomes += self._give_up_all(topic)
        return outcomes

    def _is_surplus(self, frame: Frame) -> bool:
        """Tell whether a frame was passed on or held before, or is from before a restart."""
        stream = self._streams.get(frame.message.topic)
        if stream is None:
            return False
        stands = relation(frame.stamp, last=stream.last, past=stream.past)
        return stands in _SURPLUS or (stands is Relation.AHEAD and frame.stamp.seq in stream.held)

    def _admit(self, frame: Frame, since_ns: int) -> list[Outcome]:
        """Place one frame in its topic."""
        topic = frame.message.topic
        stream = self._streams.get(topic)
        if stream is None:
            self._streams[topic] = _Stream(frame.stamp)
            return [frame]
        match relation(frame.stamp, last=stream.last, past=stream.past):
            case Relation.AHEAD:
                return self._ahead(stream, frame, since_ns)
            case Relation.RESTART:
                outcomes = self._give_up_all(topic)
                stream.past = after_restart(stream.last, stream.past)
                stream.last = Stamp(frame.stamp.boot, -1, stream.last.t_ns)
                return outcomes + self._ahead(stream, frame, since_ns)
            case Relation.DUPLICATE:
                return [Dropped(frame, Surplus.DUPLICATE)]
            case Relation.STALE:
                return [Dropped(frame, Surplus.STALE)]
            case Relation.ASTRAY:
                return [Astray(frame)]

    def _ahead(self, stream: _Stream, frame: Frame, since_ns: int) -> list[Outcome]:
        """Pass on the next frame with what it sets free; hold one that is too early."""
        seq, topic = frame.stamp.seq, frame.message.topic
        if seq == stream.last.seq + 1:
            _advance(stream, frame.stamp)
            return [frame, *self._drain(topic)] if stream.held else [frame]
        if seq in stream.held:
            return [Dropped(frame, Surplus.DUPLICATE)]
        stream.held[seq] = Held(frame, since_ns)
        self._waiting.add(topic)
        self._find_oldest()
        outcomes: list[Outcome] = []
        while stream.held and self._too_long(stream, frame.stamp.t_ns):
            outcomes += self._give_up(topic)
        return outcomes

    def _too_long(self, stream: _Stream, newest_ns: int) -> bool:
        """Tell whether a topic has waited long enough by its own newest frame."""
        # After a clock was set back the last place has a later time than all that follows it.
        first = next(iter(stream.held.values())).frame.stamp
        behind_ns = newest_ns - min(stream.last.t_ns, first.t_ns)
        return len(stream.held) > self.limits.frames or behind_ns > self.limits.device_ns

    def _expire(self) -> list[Outcome]:
        """Give up on gaps that were waited for long enough."""
        outcomes: list[Outcome] = []
        while self._waiting and self.clock.elapsed_ns - self._oldest_ns > self.limits.wait_ns:
            outcomes += self._give_up(self._by_age()[0])
        return outcomes

    def _give_up_all(self, topic: str) -> list[Outcome]:
        """Pass on all that a topic holds, with its gaps."""
        outcomes: list[Outcome] = []
        while self._streams[topic].held:
            outcomes += self._give_up(topic)
        return outcomes

    def _give_up(self, topic: str) -> list[Outcome]:
        """Tell the first gap of a topic and pass on the frames up to its next one."""
        stream = self._streams[topic]
        frame = stream.held[min(stream.held)].frame
        gap = Gap(
            topic=topic,
            address=frame.address,
            boot=frame.stamp.boot,
            first_seq=stream.last.seq + 1,
            last_seq=frame.stamp.seq - 1,
            after_ns=stream.last.t_ns,
            before_ns=frame.stamp.t_ns,
        )
        stream.last = Stamp(frame.stamp.boot, gap.last_seq, stream.last.t_ns)
        return [gap, *self._drain(topic)]

    def _drain(self, topic: str) -> list[Frame]:
        """Pass on the held frames that are next in order."""
        stream = self._streams[topic]
        frames = []
        while (held := stream.held.pop(stream.last.seq + 1, None)) is not None:
            _advance(stream, held.frame.stamp)
            frames.append(held.frame)
        if not stream.held:
            self._waiting.discard(topic)
        self._find_oldest()
        return frames

    def _age(self, topic: str) -> int:
        """Return since when a topic waits [ns]: its held frames stand in the order in which they came."""
        return next(iter(self._streams[topic].held.values())).since_ns

    def _by_age(self) -> list[str]:
        """Return the topics that wait, the longest waiting first."""
        return sorted(self._waiting, key=lambda topic: (self._age(topic), topic))

    def _find_oldest(self) -> None:
        """Remember since when the longest waiting topic waits: asked at every message."""
        self._oldest_ns = min(map(self._age, self._waiting), default=0)


def _advance(stream: _Stream, stamp: Stamp) -> None:
    """Move a topic's place on."""
    stream.last = Stamp(stamp.boot, stamp.seq, max(stamp.t_ns, stream.last.t_ns))
