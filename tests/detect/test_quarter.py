"""Which quarter leaked: short milk tubes that fall under the claw, written bin by bin."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from detect.params import BIN_S
from detect.quarter import CLEAR, CLOSED, LAG, LEAST_KPA_S, SLOW, leaking, learn_base, watch_tubes
from detect.quarter_state import RING, TUBES
from detect.state import Happening, Opening, new_stalls
from tests.detect.by_hand import QUIET_KPA, moment, stall

AT = 10_110
USUAL = np.array([0.5, 0.8, -0.3, 0.2])


class Unit:
    """A unit whose four tubes are read bin by bin, each usually some kPa under the claw."""

    def __init__(self, **fields: Any) -> None:
        self.s = stall(**({"settled": 1, "on_bin": AT - 1_000, "kpa": QUIET_KPA} | fields))
        self.s["tubes"]["rest"] = np.tile(USUAL, RING)
        self.b = AT

    def live(self, bins: int, falls: tuple[float, ...] = (0.0, 0.0, 0.0, 0.0), **fields: Any) -> None:
        """Let some bins pass in which tubes fall further than the claw."""
        for name, value in fields.items():
            self.s[name] = value
        for _ in range(bins):
            watch_tubes(self.s, QUIET_KPA - USUAL - np.array(falls), 0, moment(self.b))
            self.b += 1

    @property
    def tubes(self) -> Any:
        """What is kept of the tubes."""
        return self.s["tubes"]

    def close(self, **fields: Any) -> int:
        """Let the event be told in a bin of its own and return which quarter was named."""
        now = moment(self.b)
        row = {"what": CLOSED, "stall": 0, "from_bin": self.s["ev_on"], "quarter": 0} | fields
        for name, value in row.items():
            now.rows[0][name] = value
        now.used[0] = 1
        self.s["opening"] = Opening.NONE
        watch_tubes(self.s, QUIET_KPA - USUAL, 0, now)
        return int(now.rows[0]["quarter"])


def slipping(falls: tuple[float, ...], bins: int = 10) -> Unit:
    """Return a unit that knows its tubes and then slips for half a second."""
    unit = Unit()
    unit.live(500)
    unit.live(bins, falls, opening=Opening.OPEN, ev_on=unit.b)
    return unit


def test_what_is_usual_of_each_tube_is_learned_three_seconds_late() -> None:
    """The mean of ten seconds is each tube's own; only of a settled unit, 3 s after it was put on."""
    unit = Unit()
    unit.live(LAG + 150)
    assert unit.tubes["usual"].tolist() == pytest.approx(USUAL.tolist())
    assert unit.tubes["n"] == LAG + 150
    young = Unit(on_bin=AT - 10)
    young.live(LAG)
    assert young.tubes["n"] == 9
    loose = Unit(settled=0)
    loose.live(150)
    assert loose.tubes["n"] == 0


def test_a_new_difference_is_learned_over_ten_seconds() -> None:
    """Each tube follows with that memory once it is known."""
    unit = Unit()
    unit.live(LAG + SLOW)
    base = unit.tubes["usual"].copy()
    unit.live(LAG + 100, (1.0, 0.0, 0.0, 0.0))
    grown = unit.tubes["usual"] - base
    assert grown[0] == pytest.approx(1.0 - (1.0 - 1.0 / SLOW) ** 100, rel=0.02)
    assert grown[1:].tolist() == pytest.approx([0.0] * 3, abs=1e-9)


@pytest.mark.parametrize("quarter", [1, 2, 3, 4])
def test_the_tube_that_fell_furthest_names_its_quarter(quarter: int) -> None:
    """One tube falls 2 kPa further than the claw for half a second: 1 kPa s, and the others none."""
    falls = [0.0] * 4
    falls[quarter - 1] = 2.0
    unit = slipping(tuple(falls))
    sums = [0.0] * 4
    sums[quarter - 1] = 2.0 * 10 * BIN_S
    assert unit.tubes["fallen"].tolist() == pytest.approx(sums, abs=1e-9)
    assert unit.close() == quarter


def test_two_at_once_or_next_to_nothing_name_nobody() -> None:
    """The largest must be twice the second, whichever comes first, and over 0.06 kPa s."""
    assert slipping((2.0, 1.1 * 2.0 / CLEAR, 0.0, 0.0)).close() == 0
    assert slipping((2.0, 0.9 * 2.0 / CLEAR, 0.0, 0.0)).close() == 1
    assert slipping((1.1 * 2.0 / CLEAR, 0.2, 0.1, 2.0)).close() == 0
    assert slipping((0.9 * 2.0 / CLEAR, 0.2, 0.1, 2.0)).close() == 4
    least = LEAST_KPA_S / (10 * BIN_S)
    assert slipping((0.0, 0.0, 0.9 * least, 0.0)).close() == 0
    assert slipping((0.0, 0.0, 1.1 * least, 0.0)).close() == 3
    assert slipping((-2.0, -2.0, -2.0, -2.0)).close() == 0


def test_an_event_found_late_counts_from_its_onset() -> None:
    """The bins since the onset are made good, up to 3 s back; a pause adds nothing."""
    unit = Unit()
    unit.live(500)
    onset = unit.b
    unit.live(4, (2.0, 0.0, 0.0, 0.0))
    unit.live(1, (2.0, 0.0, 0.0, 0.0), opening=Opening.OPEN, ev_on=onset)
    assert unit.tubes["fallen"][0] == pytest.approx(2.0 * 5 * BIN_S)
    unit.live(9, (2.0, 0.0, 0.0, 0.0), opening=Opening.PAUSE)
    assert unit.tubes["fallen"][0] == pytest.approx(2.0 * 5 * BIN_S)
    unit.live(1, (2.0, 0.0, 0.0, 0.0), opening=Opening.OPEN)
    assert unit.tubes["fallen"][0] == pytest.approx(2.0 * 6 * BIN_S)
    unit.live(1, (0.0, 1.0, 0.0, 0.0), opening=Opening.OPEN, ev_on=unit.b)
    assert unit.tubes["fallen"].tolist() == pytest.approx([0.0, 1.0 * BIN_S, 0.0, 0.0], abs=1e-9)


def test_only_the_event_in_hand_is_named() -> None:
    """Not another stall's, not one that began elsewhere, and nothing that is no event."""
    for other in ({"stall": 1}, {"from_bin": 5}, {"what": int(Happening.DETACHED)}):
        assert slipping((2.0, 0.0, 0.0, 0.0)).close(**other) == 0
    assert CLOSED == Happening.AIR_CLOSED


def test_missing_data_are_no_fall() -> None:
    """Neither a tube nor a claw that is silent adds to a sum or to what is usual."""
    unit = slipping((2.0, 0.0, 0.0, 0.0))
    unit.live(5, (np.nan, 0.0, 0.0, 0.0))
    unit.live(5, (5.0, 5.0, 5.0, 5.0), missing=2)
    assert unit.tubes["fallen"].tolist() == pytest.approx([1.0, 0.0, 0.0, 0.0], abs=1e-9)
    assert leaking(unit.tubes) == 1


def test_tubes_that_are_heard_late_learn_from_what_they_sent() -> None:
    """Before the first sensor spoke there was nothing to learn: its first difference is taken as it is."""
    s = new_stalls(1).view(np.recarray)[0]
    for at in range(400):
        learn_base(s.tubes, at)
    assert (s.tubes.n, s.tubes.usual.tolist()) == (0, [0.0] * TUBES)
    s.tubes.rest[: 3 * TUBES] = 1.5
    learn_base(s.tubes, 0)
    assert s.tubes.usual.tolist() == [1.5] * TUBES
