"""Messages are handed on in their own time."""

from __future__ import annotations

import pytest

from dashboards.pacing import paced
from ingest.wire import Message

S = 1_000_000_000


class Clock:
    """A clock that moves only by waiting, or by the test."""

    now_s = 100.0

    def __call__(self) -> float:
        """Tell the time."""
        return self.now_s

    def wait(self, seconds: float) -> None:
        """Let time pass."""
        self.now_s += seconds


RECORD = [Message(7 * S + k * S, "t", b"") for k in range(5)]


@pytest.mark.parametrize("speed", [1.0, 20.0])
def test_a_record_takes_its_time_divided_by_the_speed(speed: float) -> None:
    """Four seconds of record take 4 s at speed 1 and 0.2 s at speed 20."""
    clock = Clock()
    assert list(paced(RECORD, speed=speed, clock=clock, wait=clock.wait)) == RECORD
    assert clock.now_s - 100.0 == pytest.approx(4.0 / speed)


def test_a_slow_reader_is_not_slowed_further() -> None:
    """When the reader lags, nothing is waited for until it has caught up, and nothing is lost."""
    clock = Clock()
    seen = []
    for message in paced(RECORD, speed=1.0, clock=clock, wait=clock.wait):
        seen.append((message.recv_ns // S - 7, clock.now_s - 100.0))
        if len(seen) == 1:
            clock.now_s += 2.5
    assert seen == [(0, 0.0), (1, 2.5), (2, 2.5), (3, 3.0), (4, 4.0)]
