"""A unit that fell and hangs open, until it is told, taken away or put on again."""

from __future__ import annotations

from typing import Any

import pytest

from detect.params import BIN_S
from detect.state import Happening
from detect.unit import (
    ARM_AHEAD,
    ARM_BEHIND,
    BACK_SHARE,
    DETACHED,
    LONGEST_HANG,
    METER_CLEAR,
    MILK_AGAIN_KG_MIN,
    OPEN_LINE_KPA,
    SHUT,
    TOLD,
    UNTOLD,
    WITH_ARM,
    WITHOUT_ARM,
    is_put_on,
    tell_fall,
    watch_hanging,
)
from tests.detect.by_hand import (
    NUM,
    QUIET_KPA,
    moment,
    stall,
    told,
)

AT = 10_110


def hung(bins: int, kpa: float, **fields: Any) -> tuple[Any, list[Any]]:
    """Let a fallen unit hang at some vacuum."""
    known = {
        "hanging": UNTOLD,
        "hang_from": AT - 50,
        "hang_last": AT - 1,
        "hang_l_min": 600.0,
        "near_park": 0,
    }
    event = {
        "ev_on": AT - 50,
        "ev_last": AT - 40,
        "ev_l": 1.0,
        "ev_depth": 30.0,
        "ev_tail": 3.0,
        "ev_peak": 600.0,
    }
    s, now = stall(**(known | event | fields)), moment(AT)
    for b in range(AT, AT + bins):
        s["kpa"] = kpa
        now = now._replace(bin=b)
        if s["hanging"] > 0:
            watch_hanging(s, now, NUM)
    return s, told(now)


def test_a_unit_that_hangs_open_goes_on_taking_in_air() -> None:
    """600 L/min for 10 s are 100 L; a line that is shut takes in nothing and ends it after 3 s."""
    s, said = hung(200, OPEN_LINE_KPA + 0.1, ev_milked=200)
    assert (s["ev_l"], said, s["hang_last"]) == (pytest.approx(101.0), [], AT + 199)
    s, said = hung(SHUT, OPEN_LINE_KPA - 0.1, ev_milked=200)
    assert (s["ev_l"], said) == (1.0, [])
    s, said = hung(SHUT + 1, OPEN_LINE_KPA - 0.1, ev_milked=200)
    assert [h["what"] for h in said] == [Happening.AIR_CLOSED, DETACHED]
    assert (said[1]["to_bin"], s["hanging"]) == (AT, 0)


def test_a_fall_is_told_after_a_hundred_seconds_once() -> None:
    """It hangs on, but is told; later it ends without another word."""
    s, said = hung(LONGEST_HANG - 49, 7.0, ev_milked=200)
    assert (said, s["hanging"]) == ([], UNTOLD)
    s, said = hung(LONGEST_HANG + 200, 7.0, ev_milked=200)
    assert (len(said), s["hanging"]) == (2, TOLD)
    assert s["ev_l"] == pytest.approx(1.0 + (LONGEST_HANG - 48) * 600.0 * BIN_S / 60.0)


def test_an_arm_that_comes_home_ends_the_hanging() -> None:
    """The arm is parked since just before the fall or later; parked long before it says nothing."""
    parked = {"near_park": 1, "parked_bin": AT - 50 - ARM_AHEAD}
    assert hung(1, 7.0, **parked)[0]["hanging"] == 0
    assert hung(1, 7.0, **(parked | {"parked_bin": AT - 51 - ARM_AHEAD}))[0]["hanging"] == UNTOLD
    assert hung(1, 7.0, **(parked | {"near_park": 0}))[0]["hanging"] == UNTOLD


@pytest.mark.parametrize(
    ("fields", "on"),
    [
        ({"hanging": 0}, True),
        ({"kpa": BACK_SHARE * QUIET_KPA + 0.1}, True),
        ({"kpa": BACK_SHARE * QUIET_KPA - 0.1}, False),
        ({"hang_from": AT - METER_CLEAR - 1, "flow": MILK_AGAIN_KG_MIN + 0.1}, True),
        ({"hang_from": AT - METER_CLEAR, "flow": MILK_AGAIN_KG_MIN + 0.1}, False),
        ({"hang_from": AT - METER_CLEAR - 1, "flow": MILK_AGAIN_KG_MIN - 0.1}, False),
    ],
)
def test_a_fallen_unit_is_on_again_with_its_vacuum_or_with_milk(fields: dict[str, float], on: bool) -> None:
    """An open line alone may have a vacuum over on: only nearly all of it, or milk, shows teats."""
    known = {"hanging": UNTOLD, "kpa": 25.0, "hang_from": AT - 50, "hang_quiet": QUIET_KPA, "flow": 0.0}
    assert is_put_on(stall(**(known | fields)), AT) is on


@pytest.mark.parametrize(
    ("fields", "pulled"),
    [
        ({"near_park": 1, "parked_bin": AT - ARM_AHEAD}, True),
        ({"near_park": 0, "parked_bin": AT + ARM_BEHIND}, True),
        ({"near_park": 1, "parked_bin": AT - ARM_AHEAD - 1}, False),
        ({"near_park": 1, "parked_bin": AT + ARM_BEHIND + 1}, False),
        ({"near_park": -1, "moved_bin": AT - ARM_AHEAD, "arm_bin": AT - ARM_AHEAD}, True),
        ({"near_park": -1, "moved_bin": AT + ARM_BEHIND, "arm_bin": AT + ARM_BEHIND}, True),
        ({"near_park": -1, "moved_bin": AT + ARM_BEHIND + 1, "arm_bin": AT + ARM_BEHIND + 1}, False),
        ({"near_park": -1, "moved_bin": AT - 90, "arm_bin": AT}, True),
        ({"near_park": -1, "moved_bin": AT - 90, "arm_bin": AT - 1}, False),
    ],
)
def test_the_arm_tells_a_removal_from_a_fall(fields: dict[str, int], pulled: bool) -> None:
    """Who is pulled off is pulled from a second before to 6 s after the vacuum went."""
    event = {"ev_on": AT, "ev_last": AT + 3, "ev_l": 1.0, "ev_depth": 30.0, "ev_tail": 3.0, "ev_peak": 600.0}
    s = stall(**event, ev_milked=200, hang_from=AT, hang_off=AT + 5, hang_last=AT + 80, **fields)
    now = moment(AT + 140)
    tell_fall(s, now, NUM)
    closed, *off = told(now)
    assert closed["flag"] == (WITH_ARM if pulled else WITHOUT_ARM)
    assert closed["to_bin"] == AT + (5 if pulled else 80) + 1
    assert [h["to_bin"] for h in off] == ([] if pulled else [AT + 81])
