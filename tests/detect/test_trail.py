"""The trail shows what was read and heard, bin by bin."""

from __future__ import annotations

import numpy as np
import pytest

from detect.params import BIN_NS
from detect.readings import Reading, StallVacuum
from detect.state import Bins, Opening, new_stalls
from detect.trail import AIR, SPAN, VACUUM, Trail
from tests.detect.record import STALLS, detector


def test_a_cut_holds_the_samples_and_ends_with_what_is_known() -> None:
    """The mean of a bin's samples stands in its place; nothing is shown beyond the newest bin."""
    new = detector()
    new.trail = Trail(STALLS)
    start_ns = 1_790_000_000 * 10**9
    for k in range(20):
        readings: list[Reading] = [
            StallVacuum(stall, start_ns + k * 500_000_000, 100.0, np.full(50, 30.0 + stall + 0.1 * k))
            for stall in range(1, STALLS + 1)
        ]
        for reading in readings:
            new.feed(reading)
    new.flush()
    cut = new.trail.cut(3, start_ns // BIN_NS, start_ns // BIN_NS + 10 * SPAN)
    assert cut.first_bin == start_ns // BIN_NS
    assert cut.traces.shape == (5, 200)
    assert cut.traces[VACUUM][0] == pytest.approx(33.0)
    assert cut.traces[VACUUM][-1] == pytest.approx(33.0 + 1.9)
    assert np.isnan(cut.traces[2:]).all()


def bins_from(first: int, kpa: float) -> Bins:
    """Return one bin in which both stalls read the same vacuum and nothing else is known."""
    row, none = np.full((1, 2), kpa), np.full((1, 2), np.nan)
    return Bins(first, row, np.full(1, np.nan), none, none, none, np.zeros((1, 2, 0)))


def test_a_cut_keeps_within_what_was_seen() -> None:
    """Before the first bin, beyond the newest and behind what is kept there is nothing to cut."""
    trail, state = Trail(2), new_stalls(2)
    for k in range(SPAN + 100):
        trail.add(bins_from(1_000 + k, float(k)), state)
    whole = trail.cut(2, 0, 10**9)
    assert (whole.first_bin, whole.traces.shape) == (1_100, (5, SPAN))
    assert whole.traces[VACUUM].tolist() == [float(k) for k in range(100, SPAN + 100)]
    part = trail.cut(1, 1_200, 1_203)
    assert (part.first_bin, part.traces[VACUUM].tolist()) == (1_200, [200.0, 201.0, 202.0])
    assert trail.cut(1, 1_203, 1_203).traces.shape == (5, 0)
    assert trail.cut(1, 10**8, 10**9).traces.shape == (5, 0)


def test_a_record_that_goes_on_elsewhere_shows_nothing_from_before() -> None:
    """After a jump the trail begins anew: what lies in its memory is of another time."""
    trail, state = Trail(2), new_stalls(2)
    for first in (1_000, 1_001, 9_000, 9_001):
        trail.add(bins_from(first, 40.0), state)
    cut = trail.cut(1, 0, 10**9)
    assert (cut.first_bin, cut.traces.shape) == (9_000, (5, 2))


def test_air_is_what_the_sum_has_gained() -> None:
    """A hundredth of a litre in a bin of 50 ms is 12 L/min; a stall that is not heard shows none."""
    trail, state = Trail(2), new_stalls(2)
    state["ready"][0] = 1
    for k in range(1, 4):
        state["air_seen"] = k + 1
        state["air_sum"][:, k] = 0.01 * k
        trail.add(bins_from(k, 40.0), state)
    assert trail.cut(1, 0, 100).traces[AIR].tolist() == pytest.approx([12.0, 12.0, 12.0])
    assert np.isnan(trail.cut(2, 0, 100).traces[AIR]).all()


def test_air_of_an_open_admission_adds_up_to_its_litres() -> None:
    """An opening found two bins late has its litres shown once: what was seen before is not shown again."""
    trail, state = Trail(2), new_stalls(2)
    state["ready"] = 1
    for k, litres in enumerate([0.0, 0.02, 0.04, 0.07, 0.09], start=10):
        state["air_seen"] = k + 1
        state["air_sum"][:, k] = litres
        if k >= 13:
            state["opening"], state["op_on"], state["ev_on"], state["ev_l"] = Opening.OPEN, 11, 11, litres
        trail.add(bins_from(k, 40.0), state)
    shown_l = float(np.nansum(trail.cut(1, 11, 100).traces[AIR])) * BIN_NS / 60e9
    assert shown_l == pytest.approx(0.09, abs=1e-6)
