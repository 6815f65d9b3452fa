"""A batch is what comes within its window, and never more than may come."""

from __future__ import annotations

import queue

from ingest.client import Connected, Incoming
from ingest.session import take_batch


def waiting(number: int) -> queue.SimpleQueue[Incoming]:
    """Return a queue in which so many things wait."""
    incoming: queue.SimpleQueue[Incoming] = queue.SimpleQueue()
    for i in range(number):
        incoming.put(Connected(i))
    return incoming


class Clock:
    """A clock that goes on by a fixed step at every look."""

    def __init__(self, step_s: float) -> None:
        self.now_s = 0.0
        self.step_s = step_s

    def __call__(self) -> float:
        """Return the time and let some pass."""
        self.now_s += self.step_s
        return self.now_s


def test_nothing_is_an_empty_batch() -> None:
    """After a whole window of silence the service gets to look whether it should stop."""
    assert take_batch(waiting(0), until_s=0.0, most=10, clock_s=Clock(0.0)) == []


def test_a_batch_keeps_the_order_and_its_bound() -> None:
    """The first ``most`` are taken, the rest waits."""
    incoming = waiting(10)
    batch = take_batch(incoming, until_s=60.0, most=4, clock_s=Clock(0.0))
    assert batch == [Connected(i) for i in range(4)]
    assert incoming.qsize() == 6


def test_what_has_piled_up_is_taken_even_after_the_window() -> None:
    """A slow commit makes the next batch larger, not later."""
    incoming = waiting(10)
    assert len(take_batch(incoming, until_s=1.0, most=100, clock_s=Clock(5.0))) == 10


def test_a_batch_ends_with_its_window() -> None:
    """When nothing more is there after the window, the batch is done."""
    assert len(take_batch(waiting(3), until_s=0.01, most=100, clock_s=Clock(0.001))) == 3
