"""Real time for a record."""

from __future__ import annotations

import pytest

from ingest.wire import Message
from simulator.pacing import pace


class FakeTime:
    """A clock that only sleeping moves."""

    def __init__(self) -> None:
        self.now_s = 100.0
        self.slept: list[float] = []

    def clock(self) -> float:
        """Return the time [s]."""
        return self.now_s

    def sleep(self, seconds: float) -> None:
        """Let time pass [s]."""
        self.slept.append(seconds)
        self.now_s += seconds


MESSAGES = [Message(int(t * 1e9), "t", b"") for t in (5.0, 5.5, 7.5)]


@pytest.mark.parametrize(("speed", "waits"), [(1.0, [0.5, 2.0]), (10.0, [0.05, 0.2])])
def test_messages_wait_for_their_instant(speed, waits):
    """Waits are the distances of the messages, shortened by the speed."""
    time = FakeTime()
    assert list(pace(MESSAGES, speed=speed, clock=time.clock, sleep=time.sleep)) == MESSAGES
    assert time.slept == pytest.approx(waits)


def test_a_late_reader_is_not_held_back_further():
    """When the reader took longer than the record, nothing waits."""
    time = FakeTime()
    for _ in pace(MESSAGES, speed=1.0, clock=time.clock, sleep=time.sleep):
        time.now_s += 60.0
    assert time.slept == []


def test_a_speed_of_nothing_is_refused():
    """Time must go on."""
    with pytest.raises(ValueError, match="speed"):
        list(pace(MESSAGES, speed=0.0, clock=lambda: 0.0, sleep=lambda _: None))
