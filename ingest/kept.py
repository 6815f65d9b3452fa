"""Frames that a gateway keeps until it is told that they are stored.

A broker confirms a message before it is on disk, so its confirmation is no proof. The receipt is: the
retained message that tells the last stored number of each stream. Frames of one stream are kept in
the order in which they were sent, and a receipt releases the oldest ones up to its number.
"""

from __future__ import annotations

import json
from collections import OrderedDict, deque
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

from pydantic import TypeAdapter, ValidationError

from ingest.wire import (
    Address,
    DevicePayload,
    Message,
    StreamKind,
    committed_topic,
    parse_topic,
    plant_topic,
    stall_topic,
)

_HEADER: Final = TypeAdapter(DevicePayload)


@dataclass(frozen=True, slots=True)
class _Place:
    """Where a kept frame stands: its own index here, boot mark and number in its topic."""

    index: int
    boot: str | None
    seq: int


class KeptFrames:
    """Frames in the order of sending, each under an index that counts from 0.

    Parameters
    ----------
    root, parlor:
        First levels of the parlor's topics.
    """

    def __init__(self, *, root: str, parlor: str) -> None:
        self._names = {"root": root, "parlor": parlor}
        self._prefix = committed_topic(**self._names, stall=None).removesuffix("plant")
        # Ordered: the front of a plain dict is found ever more slowly as its first entries go.
        self._frames: OrderedDict[int, Message] = OrderedDict()
        self._places: dict[str, deque[_Place]] = {}
        self._placed: set[int] = set()
        self._confirmed: set[int] = set()
        self.end = 0
        """Index of the next frame."""

    def __len__(self) -> int:
        return len(self._frames)

    @property
    def oldest(self) -> int:
        """Index of the oldest frame that is kept."""
        return next(iter(self._frames), self.end)

    def add(self, message: Message) -> int:
        """Keep a frame and return its index."""
        index, self.end = self.end, self.end + 1
        self._frames[index] = message
        if isinstance(parse_topic(message.topic, **self._names), Address):
            try:
                header = _HEADER.validate_json(message.payload)
            except ValidationError:
                return index  # no receipt will ever name it
            place = _Place(index, header.boot, header.seq)
            self._places.setdefault(message.topic, deque()).append(place)
            self._placed.add(index)
        return index

    def first_from(self, index: int) -> tuple[int, Message] | None:
        """Return the first frame kept at an index or later, None when there is none."""
        for at in range(max(index, self.oldest), self.end):
            if (message := self._frames.get(at)) is not None:
                return at, message
        return None

    def confirm(self, index: int) -> None:
        """Take note that the broker has a frame; one that no receipt can name is kept no longer."""
        if index in self._placed:
            self._confirmed.add(index)
        else:
            self._release(index)

    def shrink(self, most: int) -> int:
        """Give up the oldest frames beyond a number, as far as the broker has them; return how many."""
        given_up = 0
        while len(self) > most and self.oldest in self._confirmed:
            self._release(self.oldest)
            given_up += 1
        return given_up

    def _release(self, index: int) -> None:
        message = self._frames.pop(index, None)
        self._confirmed.discard(index)
        if message is not None and index in self._placed:
            self._placed.discard(index)
            # Frames of one stream go in order, so this is the first of them.
            self._places[message.topic].popleft()

    def receive(self, topic: str, payload: bytes) -> int:
        """Take a receipt, of whatever content, and return how many frames it has released."""
        stall = topic.removeprefix(self._prefix)
        try:
            marks = list(_marks(json.loads(payload)))
        except (ValueError, KeyError, AttributeError, TypeError, RecursionError):
            return 0
        return sum(self._release_until(self._stream(stall, kind), boot, seq) for kind, boot, seq in marks)

    def _stream(self, stall: str, kind: StreamKind) -> str:
        """Return the topic that a receipt speaks of."""
        if stall.isdecimal():
            return stall_topic(**self._names, stall=int(stall), kind=kind)
        return plant_topic(**self._names, kind=kind)

    def _release_until(self, topic: str, boot: str | None, seq: int) -> int:
        """Release a stream's frames up to a number of one count, and those of the counts before."""
        places = self._places.get(topic, deque())
        last = _last_covered(places, boot, seq)
        released = 0
        while places and last is not None and places[0].index <= last:
            self._release(places[0].index)
            released += 1
        return released


def _marks(receipt: dict[str, Any]) -> Iterator[tuple[StreamKind, str | None, int]]:
    """Return kind, boot mark and last stored number of each stream that a receipt names."""
    former = receipt.pop("former", {})
    boot = receipt.pop("boot", None)
    for kind, seq in receipt.items():
        yield StreamKind(kind), boot, int(seq)
    for kind, mark in former.items():
        yield StreamKind(kind), mark["boot"], int(mark["seq"])


def _last_covered(places: deque[_Place], boot: str | None, seq: int) -> int | None:
    """Return the index of the last frame that a receipt proves to be stored.

    Without boot marks a number may belong to several counts; the oldest that holds it is meant, at
    the risk of keeping a frame for too long.
    """
    last: int | None = None
    previous = -1
    for place in places:
        restarted = place.seq < previous
        previous = place.seq
        if place.boot == boot and place.seq <= seq:
            if restarted and boot is None and last is not None:
                break
            last = place.index
    return last
