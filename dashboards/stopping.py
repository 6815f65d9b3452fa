"""Ctrl-C and the supervisor's request to end, turned into an orderly stop."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from types import FrameType


@dataclass(slots=True)
class Stop:
    """Whether and why to stop: ``event`` is set by a signal, ``interrupted`` tells that it was Ctrl-C."""

    event: threading.Event = field(default_factory=threading.Event)
    interrupted: bool = False


@contextmanager
def stopping() -> Iterator[Stop]:
    """Turn the first SIGINT or SIGTERM into a stop; a second SIGINT interrupts at once.

    Yields
    ------
    Stop
        To be waited on; the former handlers are back after the block.
    """
    stop = Stop()

    def on_signal(number: int, _frame: FrameType | None) -> None:
        stop.interrupted = stop.interrupted or number == signal.SIGINT
        stop.event.set()
        signal.signal(signal.SIGINT, signal.default_int_handler)

    former = {number: signal.signal(number, on_signal) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield stop
    finally:
        for number, handler in former.items():
            signal.signal(number, handler)
