"""Signals become an orderly stop."""

from __future__ import annotations

import signal

import pytest

from dashboards.stopping import stopping


def test_a_supervisor_stops_without_an_interruption() -> None:
    """SIGTERM sets the stop; it is no Ctrl-C."""
    with stopping() as stop:
        signal.raise_signal(signal.SIGTERM)
        assert stop.event.is_set()
        assert not stop.interrupted


def test_ctrl_c_stops_and_a_second_one_interrupts() -> None:
    """The first SIGINT asks, the second does not wait."""
    with stopping() as stop:
        signal.raise_signal(signal.SIGINT)
        assert stop.event.is_set()
        assert stop.interrupted
        with pytest.raises(KeyboardInterrupt):
            signal.raise_signal(signal.SIGINT)


def test_the_former_handlers_come_back() -> None:
    """After the block signals mean what they meant before."""
    before = signal.getsignal(signal.SIGINT), signal.getsignal(signal.SIGTERM)
    with stopping():
        assert signal.getsignal(signal.SIGINT) is not before[0]
    assert (signal.getsignal(signal.SIGINT), signal.getsignal(signal.SIGTERM)) == before
