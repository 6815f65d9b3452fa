"""Unreadable messages that a broker sends again: known, so that none is stored twice.

A readable frame is known by its place in its topic. A message that cannot be read has none; but when
a broker sends again what was not acknowledged on an earlier connection, it uses the same packet
identifier (MQTT 5 clause 4.4, from memory). Identifier and content together name such a message, for
the first messages of the next connection.
"""

from __future__ import annotations

import zlib
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from ingest.wire import Message

WINDOW: Final = 65_535
"""No broker has more than this unacknowledged: the range of packet identifiers."""
MOST_MARKS: Final = 5000
"""Refused messages remembered; more cannot be unacknowledged within the default receive maximum."""


@dataclass(frozen=True, slots=True)
class Origin:
    """How a message came: number of the connection, and packet identifier on it."""

    connection: int
    mid: int


@dataclass(frozen=True, slots=True)
class Mark:
    """A refused message as it may come again: packet identifier and checksum of topic and content."""

    mid: int
    crc: int

    @classmethod
    def of(cls, mid: int, message: Message) -> Mark:
        """Return the mark of a message that came under a packet identifier."""
        return cls(mid, zlib.crc32(message.payload, zlib.crc32(message.topic.encode(errors="replace"))))


class Redelivery:
    """Remember refused messages until they cannot come again.

    Parameters
    ----------
    marks:
        Those of earlier connections, as stored.
    """

    def __init__(self, marks: Iterable[Mark] = ()) -> None:
        self._expected = Counter(marks)
        self._fresh: list[Mark] = []
        self._connection: int | None = None
        self._left = WINDOW

    def marks(self) -> list[Mark]:
        """Return what is to be stored."""
        return [*self._expected.elements(), *self._fresh][-MOST_MARKS:]

    def pass_by(self, origin: Origin) -> None:
        """Take note of any message, readable or not."""
        if origin.connection != self._connection:
            self._connection, self._left = origin.connection, WINDOW
            self._expected, self._fresh = Counter(self.marks()), []
        self._left -= 1
        if self._left < 0:
            self._expected.clear()

    def is_repeat(self, mark: Mark) -> bool:
        """Tell whether a refused message was stored before, and forget it if so; remember it if not."""
        self._fresh.append(mark)  # one sent again may be sent a third time
        del self._fresh[:-MOST_MARKS]
        if not self._expected[mark]:
            return False
        self._expected[mark] -= 1
        return True
