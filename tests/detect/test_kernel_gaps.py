"""Bins without data, and what counts when they come again."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from detect.hear import NONE, OPEN, PAUSE
from detect.kernel import (
    GAP_CLOSED,
    LONG_GAP,
    SHORT_GAP,
    miss,
    resume,
)
from detect.state import MILKED, Happening
from tests.detect.by_hand import NUM, QUIET_KPA, moment, stall, told

AT = 10_110


def silent(bins: int, **fields: Any) -> Any:
    """Return a stall whose vacuum is missing for a while."""
    s = stall(**({"attached": 1} | fields))
    for b in range(AT, AT + bins):
        miss(s, b)
    return s


def test_a_gap_begins_with_its_third_missing_bin() -> None:
    """It is dated to the first; an opening pauses in it and ends before it."""
    event = {"opening": OPEN, "ev_last": AT + 50, "gap_bin": -1}
    s = silent(SHORT_GAP - 1, **event)
    assert (s["opening"], s["gap_bin"], s["missing"]) == (OPEN, -1, SHORT_GAP - 1)
    s = silent(SHORT_GAP, **event)
    assert (s["opening"], s["gap_bin"], s["ev_last"]) == (PAUSE, AT, AT - 1)
    assert (s["firm_last"], s["firm_end"]) == (AT - 1, AT)
    assert s["hold_until"] == AT + SHORT_GAP - 1
    assert silent(SHORT_GAP, **(event | {"ev_last": AT - 9}))["ev_last"] == AT - 9
    assert silent(SHORT_GAP, opening=NONE, ev_last=AT)["ev_last"] == AT
    assert np.isnan(silent(40, raw=np.full(128, 42.0))["raw"]).sum() == 40
    assert np.count_nonzero(silent(2, ev_l=0.7)["late_l"] == 0.7) == 2


def resumed(missing: int, kpa: float = QUIET_KPA, **fields: Any) -> tuple[Any, list[Any]]:
    """Return a stall whose data come again, and what was told."""
    known = {"attached": 1, "settled": 1, "on_run": 4, "seen": 60, "trace_n": 50, "resume_bin": -1}
    s, now = stall(**(known | {"missing": missing, "gap_bin": AT - missing} | fields)), moment(AT)
    resume(s, kpa, now, NUM)
    assert s["missing"] == 0
    return s, told(now)


def test_a_gap_is_told_when_data_come_again() -> None:
    """From its first bin to now, and whether the unit was on; two missing bins are no gap."""
    s, (h,) = resumed(SHORT_GAP)
    assert (h["what"], h["from_bin"], h["to_bin"], h["flag"]) == (GAP_CLOSED, AT - 3, AT, 1)
    assert (s["resume_bin"], s["settled"], s["seen"]) == (AT, 1, 60)
    s, said = resumed(SHORT_GAP - 1)
    assert (said, s["resume_bin"]) == ([], -1)
    assert GAP_CLOSED == Happening.GAP_CLOSED


EVENT = {
    **{
        "opening": PAUSE,
        "ev_on": AT - 300,
        "ev_last": AT - 290,
        "ev_l": 0.7,
        "ev_depth": 14.0,
        "ev_fall": 12.0,
    },
    **{
        "ev_rise": 20.0,
        "ev_tail": 3.0,
        "ev_peak": 90.0,
        "ev_milked": MILKED,
        "ev_base": QUIET_KPA,
        "ev_pulses": 1,
    },
}


def test_after_five_seconds_nothing_before_a_gap_counts() -> None:
    """The level begins anew and the unit must settle again; an event of before is told as it was."""
    s, said = resumed(LONG_GAP)
    assert (len(said), s["settled"], s["on_run"], s["seen"], s["trace_n"]) == (1, 0, 0, 0, 0)
    s, said = resumed(LONG_GAP - 1, **EVENT)
    assert (len(said), s["settled"], s["opening"], s["trace_n"]) == (1, 1, PAUSE, 50)
    s, said = resumed(LONG_GAP, **EVENT)
    assert [h["what"] for h in said] == [GAP_CLOSED, Happening.AIR_CLOSED]
    assert s["opening"] == NONE


def test_a_unit_that_came_off_in_a_long_gap_is_off_since_its_beginning() -> None:
    """No vacuum when data come again: it was taken off at some time; how, nobody saw."""
    s, said = resumed(LONG_GAP, NUM.off_kpa - 0.1)
    assert [h["what"] for h in said] == [GAP_CLOSED, Happening.DETACHED]
    assert (s["attached"], s["off_bin"], said[1]["to_bin"]) == (0, AT - LONG_GAP, AT - LONG_GAP)
    assert resumed(LONG_GAP, NUM.off_kpa + 0.1)[0]["attached"] == 1
    assert len(resumed(LONG_GAP, NUM.off_kpa - 0.1, attached=0)[1]) == 1


def test_a_fallen_unit_is_not_waited_for_through_a_long_gap() -> None:
    """Its fall is told when data come again."""
    hung = {"attached": 0, "hanging": 1, "hang_from": AT - 300, "hang_last": AT - 290, "near_park": 0}
    s, said = resumed(LONG_GAP, 0.0, **(EVENT | hung | {"opening": NONE, "ev_low": 40}))
    assert [h["what"] for h in said] == [GAP_CLOSED, Happening.AIR_CLOSED, Happening.DETACHED]
    assert s["hanging"] == 0


@pytest.mark.parametrize(
    ("kpa", "fields", "state"),
    [
        (3.0, {}, OPEN),
        (0.64 * QUIET_KPA, {}, OPEN),
        (0.66 * QUIET_KPA, {}, PAUSE),  # the vacuum came back meanwhile
        (3.0, {"low_run": 0}, PAUSE),  # it had not collapsed
        (3.0, {"ev_last": AT - 12}, PAUSE),  # it had ended before the gap
        (3.0, {"opening": NONE}, NONE),
    ],
)
def test_a_unit_that_hangs_open_on_both_sides_of_a_gap_is_the_same_opening(
    kpa: float, fields: dict[str, int], state: int
) -> None:
    """Else the fall would begin anew where data come again; the air in between is not counted."""
    torn = EVENT | {"ev_last": AT - 11, "low_run": 20, "low_on": AT - 31}
    s, _ = resumed(10, kpa, **(torn | fields))
    assert (s["opening"], s["low_on"], s["ev_l"]) == (state, AT - 31, 0.7)
