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
from enum import Enum, StrEnum
from typing import Final

from ingest.decode import Frame, Stamp
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
    boot: str | None
    first_seq: int
    last_seq: int
    after_ns: int
    before_ns: int

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


@dataclass(frozen=True, slots=True)
class Clock:
    """The sequencer's clock: it runs with the receive time of what is new, and neither back nor through a pause.

    What a broker sends again after a crash takes no time: the frame that is waited for comes after it.

    Parameters
    ----------
    elapsed_ns:
        What it shows [ns].
    last_recv_ns:
        Receive time of the last message [ns], wherever the receiver's clock then stood.
    newest_recv_ns:
        Latest receive time ever seen [ns].
    """

    elapsed_ns: int = 0
    last_recv_ns: int | None = None
    newest_recv_ns: int = 0

    def at(self, recv_ns: int, *, pause_ns: int) -> Clock:
        """Return the clock after a message received at an instant."""
        step_ns = 0 if self.last_recv_ns is None else min(max(recv_ns - self.last_recv_ns, 0), pause_ns)
        return Clock(self.elapsed_ns + step_ns, recv_ns, max(self.newest_recv_ns, recv_ns))

    def again(self, recv_ns: int) -> Clock:
        """Return the clock after a message that had come before."""
        return Clock(self.elapsed_ns, recv_ns, max(self.newest_recv_ns, recv_ns))


@dataclass(frozen=True, slots=True)
class Past:
    """What a topic was before its last restart, by which old copies are known.

    Parameters
    ----------
    boots:
        Former boot marks, the latest last.
    end:
        Highest number and latest time before the last restart without a boot mark.
    """

    boots: tuple[str | None, ...] = ()
    end: Stamp | None = None


MOST_BOOTS: Final = 8
"""Former boot marks remembered for a topic: a broker keeps no older copies (engineering choice)."""
NO_PAST: Final = Past()
LATE_NS: Final = 60 * 10**9
"""A former boot mark this much later is no late copy: the device uses its marks again (engineering choice)."""
MOST_AHEAD: Final = 10_000_000
"""A number further from the last one is a fault: two months at two frames a second (engineering choice)."""


class _Relation(Enum):
    """How a frame stands to the last one passed on."""

    AHEAD = "ahead"
    RESTART = "restart"
    DUPLICATE = "duplicate"
    STALE = "stale"
    ASTRAY = "astray"


_SURPLUS: Final = (_Relation.DUPLICATE, _Relation.STALE)


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
        self._limits = limits
        self._streams = {topic: _Stream(place) for topic, place in places.items()}
        self._clock = Clock()
        self._waiting: set[str] = set()
        self._oldest_ns = 0

    @property
    def clock(self) -> Clock:
        """Return the sequencer's clock."""
        return self._clock

    def place(self, topic: str) -> Stamp:
        """Return the last place of a topic that was passed on."""
        return self._streams[topic].last

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
        self._clock = clock
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
        return outcomes + self._admit(frame, self._clock.elapsed_ns)

    def pass_over(self, recv_ns: int) -> None:
        """Take note of the receive time [ns] of a message that had come before."""
        self._clock = self._clock.again(recv_ns)

    def tick(self, recv_ns: int) -> list[Outcome]:
        """Take note of a receive time [ns], of whatever message, and give up on what waited too long."""
        self._clock = self._clock.at(recv_ns, pause_ns=self._limits.pause_ns)
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
        relation = _relation(frame.stamp, stream)
        return relation in _SURPLUS or (relation is _Relation.AHEAD and frame.stamp.seq in stream.held)

    def _admit(self, frame: Frame, since_ns: int) -> list[Outcome]:
        """Place one frame in its topic."""
        topic = frame.message.topic
        stream = self._streams.get(topic)
        if stream is None:
            self._streams[topic] = _Stream(frame.stamp)
            return [frame]
        match _relation(frame.stamp, stream):
            case _Relation.AHEAD:
                return self._ahead(stream, frame, since_ns)
            case _Relation.RESTART:
                outcomes = self._give_up_all(topic)
                stream.past = _past(stream)
                stream.last = Stamp(frame.stamp.boot, -1, stream.last.t_ns)
                return outcomes + self._ahead(stream, frame, since_ns)
            case _Relation.DUPLICATE:
                return [Dropped(frame, Surplus.DUPLICATE)]
            case _Relation.STALE:
                return [Dropped(frame, Surplus.STALE)]
            case _Relation.ASTRAY:
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
        behind_ns = newest_ns - stream.last.t_ns
        return len(stream.held) > self._limits.frames or behind_ns > self._limits.device_ns

    def _expire(self) -> list[Outcome]:
        """Give up on gaps that were waited for long enough."""
        outcomes: list[Outcome] = []
        while self._waiting and self._clock.elapsed_ns - self._oldest_ns > self._limits.wait_ns:
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


def _relation(stamp: Stamp, stream: _Stream) -> _Relation:
    """Compare a frame's place with the last one passed on in its topic."""
    last, past = stream.last, stream.past
    if stamp.boot != last.boot:
        is_old = stamp.boot in past.boots and stamp.t_ns <= last.t_ns + LATE_NS
        return _Relation.STALE if is_old else _Relation.RESTART
    if stamp.seq > last.seq + MOST_AHEAD:
        return _Relation.ASTRAY
    if stamp.seq > last.seq:
        end = past.end if stamp.boot is None else None
        is_old = end is not None and stamp.seq <= end.seq and stamp.t_ns <= end.t_ns
        return _Relation.STALE if is_old else _Relation.AHEAD
    # Without a boot mark a restart; with one, the last number itself was astray.
    fell_back = stamp.t_ns > last.t_ns and (stamp.boot is None or stamp.seq < last.seq - MOST_AHEAD)
    return _Relation.RESTART if fell_back else _Relation.DUPLICATE


def _past(stream: _Stream) -> Past:
    """Remember where a topic stood, at a restart of its device."""
    last, past = stream.last, stream.past
    boots = (*(boot for boot in past.boots if boot != last.boot), last.boot)[-MOST_BOOTS:]
    end = past.end
    if last.boot is None:
        end = Stamp(None, max(last.seq, end.seq if end else -1), last.t_ns)
    return Past(boots, end)


def _advance(stream: _Stream, stamp: Stamp) -> None:
    """Move a topic's place on."""
    stream.last = Stamp(stamp.boot, stamp.seq, max(stamp.t_ns, stream.last.t_ns))
