"""The trail shows what was read and heard, bin by bin."""

from __future__ import annotations

import numpy as np
import pytest

from detect.params import BIN_NS, BIN_S
from detect.parlor import ParlorDetector
from detect.readings import StallVacuum
from detect.state import RING, Bins, Opening, new_stalls
from detect.trail import AIR, SPAN, VACUUM, Trail


def test_a_cut_holds_the_samples_and_ends_with_what_is_known() -> None:
    """The mean of a bin's samples stands in its place; nothing is shown beyond the newest bin."""
    new = ParlorDetector(parlor="willowmere", stalls=3)
    new.trail = Trail(3)
    start_ns = 1_790_000_000 * 10**9
    for k in range(20):
        for stall in range(1, 4):
            kpa = np.full(10, 0.3 + stall + 0.1 * k)
            new.feed(StallVacuum(stall, start_ns + k * 500_000_000, 20.0, kpa))
    new.flush()
    cut = new.trail.cut(3, start_ns // BIN_NS, start_ns // BIN_NS + 10 * SPAN)
    assert cut.first_bin == start_ns // BIN_NS
    assert cut.traces.shape == (5, 200)
    assert cut.traces[VACUUM][0] == pytest.approx(3.3)
    assert cut.traces[VACUUM][-1] == pytest.approx(3.3 + 1.9)
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


def test_each_signal_has_its_row_and_each_stall_its_column() -> None:
    """Vacuum, air, flow, angle, cord."""
    trail, state = Trail(2), new_stalls(2)
    planes = [np.array([[10.0 * k + stall for stall in (1, 2)]]) for k in range(1, 5)]
    trail.add(Bins(50, planes[0], np.full(1, 44.0), *planes[1:], np.zeros((1, 2, 0))), state)
    for stall in (1, 2):
        shown = trail.cut(stall, 50, 51).traces[:, 0].tolist()
        assert [shown[0], *shown[2:]] == [10.0 + stall, 20.0 + stall, 30.0 + stall, 40.0 + stall]
        assert np.isnan(shown[AIR])


class Heard:
    """Two stalls whose air is written bin by bin, and their trail."""

    def __init__(self, first: int) -> None:
        self.trail, self.state, self.bin = Trail(2), new_stalls(2), first
        self.state["ready"], self.sums = 1, np.zeros(2)
        self.state["air_seen"] = first % 1_000 + 1

    def live(self, litres: tuple[float, float], **fields: object) -> list[float]:
        """Let the model say so much in one bin; return the litres that are shown of it."""
        self.sums += litres
        self.state["air_seen"] += 1
        rows = np.arange(2), (self.state["air_seen"] - 1) % RING
        self.state["air_sum"][rows] = self.sums
        for name, value in fields.items():
            self.state[name] = value
        self.trail.add(bins_from(self.bin, 40.0), self.state)
        self.bin += 1
        shown = [self.trail.cut(stall, self.bin - 1, self.bin).traces[AIR, 0] for stall in (1, 2)]
        return [float(air) * BIN_S / 60.0 for air in shown]


def near(*litres: float) -> object:
    """Return litres as exactly as they are kept."""
    return pytest.approx(list(litres), abs=1e-6)


def test_while_an_admission_is_open_its_growth_is_shown() -> None:
    """Of the stall that has one; the other shows what the model says."""
    heard = Heard(100)
    heard.live((0.0, 0.0))
    open_ = {"opening": (Opening.OPEN, 0), "op_on": 101, "ev_on": 101}
    assert heard.live((0.02, 0.01), **open_, ev_l=(0.02, 9.0)) == near(0.02, 0.01)
    assert heard.live((0.02, 0.01), **open_, ev_l=(0.05, 9.5)) == near(0.03, 0.01)
    assert heard.live((0.02, 0.01), **open_, ev_l=(0.04, 9.9)) == near(-0.01, 0.01)
    assert heard.live((0.02, 0.01), opening=Opening.PAUSE, ev_l=(0.07, 0.0)) == near(0.02, 0.01)


def test_an_admission_found_late_shows_at_once_what_was_not_shown_before() -> None:
    """The bins before it stay as they were; a correction downwards is not shown as air that went out."""
    for found_l, shown_l in ((0.10, 0.06), (0.03, 0.0)):
        heard = Heard(100)
        for _ in range(5):
            heard.live((0.02, 0.0))
        open_ = {"opening": (Opening.OPEN, 0), "op_on": 103, "ev_on": 103}
        assert heard.live((0.02, 0.0), **open_, ev_l=(found_l, 0.0)) == near(shown_l, 0.0)


def test_a_second_squawk_of_one_event_shows_its_own_litres() -> None:
    """What the event had before it is not shown again; a new event begins at nothing."""
    for onset, shown_l in ((101, 0.03), (105, 0.13)):
        heard = Heard(100)
        heard.live((0.0, 0.0))
        first = {"opening": (Opening.OPEN, 0), "op_on": 101, "ev_on": 101}
        heard.live((0.1, 0.0), **first, ev_l=(0.1, 0.0))
        for _ in range(3):
            heard.live((0.0, 0.0), opening=Opening.PAUSE)
        second = {"opening": (Opening.OPEN, 0), "op_on": 105, "ev_on": onset}
        assert heard.live((0.0, 0.0), **second, ev_l=(0.13, 0.0)) == near(shown_l, 0.0)


def test_an_admission_that_began_beyond_what_is_kept_counts_what_is_kept() -> None:
    """All bins of the memory but the one that is being written."""
    heard = Heard(10_000)
    for _ in range(SPAN + 5):
        heard.live((0.001, 0.0))
    open_ = {"opening": (Opening.OPEN, 0), "op_on": 9_000, "ev_on": 9_000}
    assert heard.live((0.0, 0.0), **open_, ev_l=(5.0, 0.0)) == [
        pytest.approx(5.0 - 0.001 * (SPAN - 1), abs=1e-3),
        pytest.approx(0.0, abs=1e-6),
    ]


def test_a_stall_that_is_not_heard_shows_no_air() -> None:
    """Without a baseline, or in its very first bin of air; an open admission of before shows none either."""
    heard = Heard(100)
    assert np.isnan(heard.live((0.1, 0.1), ready=(0, 1))[0])
    assert heard.live((0.1, 0.1), ready=1) == near(0.1, 0.1)
    first = Heard(100)
    first.state["air_seen"] = 0
    assert np.isnan(first.live((0.1, 0.1))).all()
    assert first.live((0.1, 0.1)) == near(0.1, 0.1)
