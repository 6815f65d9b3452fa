"""Health knows silence from data that cannot be read, and a silent stall from a silent parlor."""

from __future__ import annotations

import numpy as np
import pytest

from dashboards.heard import SILENCE_S, Heard
from detect.parlor import ParlorDetector
from detect.readings import MilkFlow, StallVacuum
from detect.views import StallNow
from ingest.pipeline import Committed
from tests.dashboards.clock import Clock, S


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def heard(clock: Clock) -> Heard:
    return Heard(clock)


def committed(clock: Clock, *, messages: int = 3, readings: int = 3) -> Committed:
    return Committed(messages, readings, 0, {}, (), (), (), {}, 0, clock.now_ns)


def stalls_after(seconds: float, *, speaking: tuple[int, ...]) -> list[StallNow]:
    """Return two stalls after so long a time in which only some sent vacuum, and both milk flow."""
    detector = ParlorDetector(parlor="willowmere", stalls=2)
    for n in range(round(seconds)):
        for stall in (1, 2):
            detector.feed(MilkFlow(stall, n * S, 0.0))
            if stall in speaking:
                detector.feed(StallVacuum(stall, n * S, 100.0, np.full(100, 42.0)))
    return detector.now()


def test_a_service_that_heard_nothing_is_not_healthy(heard: Heard, clock: Clock) -> None:
    """From the first moment on it says that there is no data yet, and for how long."""
    assert list(heard.complaints()) == ["no data yet, 0 s after the start"]
    clock.now_ns += 12 * S
    assert list(heard.complaints()) == ["no data yet, 12 s after the start"]


def test_messages_that_cannot_be_read_are_no_data(heard: Heard, clock: Clock) -> None:
    """Rubbish keeps nobody healthy: it is told apart from silence, and ends with the first data."""
    heard.note(committed(clock, readings=0), [])
    no_data, unreadable = heard.complaints()
    assert no_data.startswith("no data yet")
    assert "quarantine" in unreadable
    heard.note(committed(clock), [])
    assert list(heard.complaints()) == []
    clock.now_ns += round((SILENCE_S + 1) * S)
    heard.note(committed(clock, readings=0), [])
    assert [reason[:25] for reason in heard.complaints()] == ["no data has been stored f", unreadable[:25]]


def test_one_silent_stall_is_told_and_leaves_the_service_healthy(heard: Heard, clock: Clock) -> None:
    """A stall may be out of use; when all of them are silent, no milking can be heard."""
    heard.note(committed(clock), stalls_after(SILENCE_S + 10, speaking=(2,)))
    assert heard.silent_stalls() == [1]
    assert list(heard.complaints()) == []
    heard.note(committed(clock), stalls_after(SILENCE_S + 10, speaking=()))
    assert heard.silent_stalls() == [1, 2]
    assert list(heard.complaints()) == ["no stall's vacuum has been heard for 30 s"]
