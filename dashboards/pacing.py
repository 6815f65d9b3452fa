"""Messages in their own time: as fast as they were received, or so many times faster."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Iterator
from typing import Final

from dashboards.matching import NS_PER_S
from ingest.wire import Message

SHORTEST_WAIT_S: Final = 0.005
"""Shorter waits are not worth a system call [s] (engineering choice)."""


def paced(
    messages: Iterable[Message],
    *,
    speed: float,
    clock: Callable[[], float] = time.monotonic,
    wait: Callable[[float], object] = time.sleep,
) -> Iterator[Message]:
    """Hand each message on when its time has come.

    Parameters
    ----------
    messages:
        In order of ``recv_ns``.
    speed:
        Seconds of the record in one second of the clock, > 0.
    clock, wait:
        Monotonic seconds, and how to let some pass; arguments so that tests need not wait.

    Yields
    ------
    Message
        Never early; late when the reader is slower than the record, and then as fast as it reads.
    """
    began_s, first_ns = clock(), None
    for message in messages:
        if first_ns is None:
            first_ns = message.recv_ns
        ahead_s = began_s + (message.recv_ns - first_ns) / NS_PER_S / speed - clock()
        if ahead_s > SHORTEST_WAIT_S:
            wait(ahead_s)
        yield message
