"""A batch is what comes within its window, and never more than may come."""

from __future__ import annotations

import queue

from hypothesis import given
from hypothesis import strategies as st

from ingest.client import Connected, Incoming
from ingest.session import next_turn_s, take_batch


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


@given(took_s=st.lists(st.floats(0.0, 3.0), max_size=50))
def test_a_turn_is_never_more_than_a_window_away(took_s: list[float]) -> None:
    """Full batches end before their time: however many there were, the next waits for a window at most."""
    due_s = now_s = 100.0
    for each_s in took_s:
        due_s = next_turn_s(due_s, now_s=now_s, window_s=0.25)
        assert now_s <= due_s <= now_s + 0.25
        now_s += each_s


def test_turns_keep_their_time() -> None:
    """Work that takes less than a window does not put the next turn off."""
    due_s = next_turn_s(100.0, now_s=100.0, window_s=0.25)
    for number in range(2, 8):
        due_s = next_turn_s(due_s, now_s=due_s + 0.1, window_s=0.25)
        assert due_s == 100.0 + number * 0.25
