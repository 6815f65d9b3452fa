"""Many messages as columns, as a capture holds them; each is made into a message only when asked for."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Self, overload

import numpy as np
from numpy.typing import NDArray

from ingest.wire import Message


@dataclass(frozen=True, slots=True)
class Messages(Sequence[Message]):
    """Messages in order of arrival.

    Parameters
    ----------
    recv_ns:
        When each was received [ns since 1970-01-01 UTC], shape (messages,).
    topics, payloads:
        As long.
    """

    recv_ns: NDArray[np.int64]
    topics: list[str]
    payloads: list[bytes]

    @classmethod
    def of(cls, messages: Iterable[Message]) -> Self:
        """Put messages into columns."""
        known = list(messages)
        recv_ns = np.array([message.recv_ns for message in known], np.int64)
        return cls(recv_ns, [message.topic for message in known], [message.payload for message in known])

    def __len__(self) -> int:
        return len(self.topics)

    def __iter__(self) -> Iterator[Message]:
        return map(Message, self.recv_ns.tolist(), self.topics, self.payloads)

    @overload
    def __getitem__(self, at: int) -> Message: ...

    @overload
    def __getitem__(self, at: slice) -> Messages: ...

    def __getitem__(self, at: int | slice) -> Message | Messages:
        if isinstance(at, slice):
            return Messages(self.recv_ns[at], self.topics[at], self.payloads[at])
        return Message(int(self.recv_ns[at]), self.topics[at], self.payloads[at])

    def __add__(self, others: Messages) -> Messages:
        recv_ns = np.concatenate([self.recv_ns, others.recv_ns])
        return Messages(recv_ns, self.topics + others.topics, self.payloads + others.payloads)
