"""The platform turns, stops, and carries stalls past the bridge."""

from __future__ import annotations

import numpy as np
import pytest

from simulator.platform import Deck, Platform
from simulator.session import crossed


@pytest.mark.source("Dairy Herd Management 2011: a 60-stall rotary milks about 450 cows an hour at most")
def test_sixty_stalls_at_eight_seconds_milk_450_cows_an_hour():
    """60 stalls at 8 s turn in 8.0 min and take 450 cows an hour."""
    deck = Deck(stalls=60, stall_s=8.0)
    assert deck.cows_per_h == 450.0
    assert deck.rotation_s / 60.0 == 8.0


def test_one_turn_brings_a_stall_back_to_where_it_was():
    """After one rotation without stops every stall stands at its first place."""
    platform = Platform(Deck(stalls=30, stall_s=10.0, stops_per_h=0.0), np.random.default_rng(1))
    first = [platform.place(stall) for stall in range(1, 31)]
    for second in range(300):
        platform.step(float(second), 1.0)
    again = np.array([platform.place(stall) for stall in range(1, 31)])
    assert (again - first + 15.0) % 30.0 - 15.0 == pytest.approx(np.zeros(30), abs=1e-9)


def test_stops_slow_the_platform_down():
    """With stops it turns less far, by about the time stopped."""
    stopping = Deck(stalls=30, stall_s=10.0, stops_per_h=12.0, stop_s=30.0)
    platform = Platform(stopping, np.random.default_rng(1))
    for second in range(6 * 3600):
        platform.step(float(second), 1.0)
    assert 0.85 < platform.travel / (6 * 360.0) < 0.95


@pytest.mark.parametrize(
    ("before", "now", "mark", "passed"),
    [
        (1.0, 1.2, 1.1, True),
        (1.0, 1.2, 1.0, False),
        (29.9, 0.1, 0.05, True),
        (29.9, 0.1, 29.95, True),
        (2.0, 2.0, 2.0, False),
    ],
)
def test_a_mark_is_passed_once_also_across_the_end_of_the_ring(before, now, mark, passed):
    """A stall passes a mark between two places, the ring's end included; a standing one passes none."""
    assert crossed(before, now, mark) is passed
