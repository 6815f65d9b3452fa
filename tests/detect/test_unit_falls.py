"""How the vacuum went: a take-off, or a unit that lost its seal."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from detect.hear import CLOSED, NONE, OPEN
from detect.opening import FALLEN
from detect.params import BIN_S
from detect.state import MILKED, USUAL_TAKE_OFF_S
from detect.unit import (
    DETACHED,
    FASTEST_S,
    UNTOLD,
    detach,
    end_by_removal,
    fall,
    fall_s,
    last_fall,
    learn_take_off,
    lose_unit,
    was_opened,
)
from tests.detect.by_hand import (
    NUM,
    QUIET_KPA,
    moment,
    stall,
    told,
    write_air,
    write_raw,
)

AT = 10_110


def test_a_fall_begins_after_the_last_high_bin() -> None:
    """In an opening that collapsed, where the collapse began; never before the unit was on."""
    s = stall(high_bin=AT, on_bin=AT - 100, low_on=AT + 9)
    assert last_fall(s) == AT + 1
    s["opening"], s["low_run"] = OPEN, 4
    assert last_fall(s) == AT + 9
    s["low_run"] = 0
    assert last_fall(s) == AT + 1
    s["on_bin"] = AT + 30
    assert last_fall(s) == AT + 30


def took(missing: int = 0) -> Any:
    """Return a stall whose vacuum took eight bins to go, of which some before are missing."""
    s = stall(high_bin=AT, on_bin=AT - 100, fell_bin=AT + 12, opening=OPEN, low_run=4, low_on=AT + 5)
    write_raw(s, AT - 20, [QUIET_KPA] * 40)
    for b in range(AT + 5 - missing, AT + 5):
        s["raw"][b & 127] = np.nan
    return s


def test_how_long_the_vacuum_took_to_go() -> None:
    """From where it left to below off, both included; where data are missing it may have begun then."""
    assert fall_s(took()) == pytest.approx(8 * BIN_S)
    assert fall_s(took(missing=2)) == pytest.approx(10 * BIN_S)
    assert fall_s(took(missing=9)) == pytest.approx(12 * BIN_S)


def test_the_usual_take_off_is_learned_from_those_that_were_seen() -> None:
    """The first counts half, later ones less; no odd one moves it far, and one half seen not at all."""
    s = took()
    learn_take_off(s)
    assert s["take_off_s"] == pytest.approx(0.5 * (USUAL_TAKE_OFF_S + 8 * BIN_S))
    for _ in range(60):
        learn_take_off(s)
    assert s["take_offs"] == 8
    s["take_off_s"], s["fell_bin"] = 0.4, AT + 200
    learn_take_off(s)
    assert s["take_off_s"] == pytest.approx(0.4 + 0.4 / 9.0)
    s["take_off_s"], s["fell_bin"] = 2.0, AT + 6
    learn_take_off(s)
    assert s["take_off_s"] == pytest.approx(2.0 - 1.0 / 9.0)
    for unseen in (took(missing=1), stall(fell_bin=-1)):
        learn_take_off(unseen)
        assert unseen["take_off_s"] == USUAL_TAKE_OFF_S


@pytest.mark.parametrize(
    ("bins", "usual_s", "fields", "opened"),
    [
        (4, 0.6, {}, True),
        (8, 0.6, {}, False),
        (6, 3.0, {}, True),
        (7, 3.0, {}, False),
        (2, 0.05, {}, True),
        (3, 0.05, {}, False),
        (4, 0.6, {"eased": 1}, False),
        (4, 0.6, {"eased": 1, "low_run": 0, "high_bin": AT + 4}, True),
        (8, 0.6, {"linger": 21}, True),
        (8, 0.6, {"linger": 19}, False),
        (4, 0.6, {"fell_bin": -1}, False),
    ],
)
def test_a_vacuum_that_goes_much_faster_than_usual_was_opened(
    bins: int, usual_s: float, fields: dict[str, int], opened: bool
) -> None:
    """Half the usual time, within 0.12 and 0.35 s, or hanging on under half for over a second."""
    s = took()
    s["take_off_s"], s["fell_bin"] = usual_s, AT + 4 + bins
    for name, value in fields.items():
        s[name] = value
    assert FASTEST_S < NUM.sudden_fall_s < 0.5
    assert was_opened(s, AT + 20, NUM) is opened


@pytest.mark.parametrize(
    ("back_kpa", "milked", "opened"),
    [(9.0, MILKED, True), (2.1, MILKED, True), (1.9, MILKED, False), (0.5, MILKED, False), (9.0, 0, False)],
)
def test_vacuum_that_comes_back_comes_through_an_open_line(
    back_kpa: float, milked: int, opened: bool
) -> None:
    """Behind a shut valve it only goes; before the let-down it may be cups that still hang open."""
    s = stall(high_bin=AT - 60, on_bin=AT - 900, fell_bin=AT - 49, off_run=50, milked=milked, kpa=back_kpa)
    write_raw(s, AT - 100, [QUIET_KPA] * 41 + [30.0, 26.0, 22.0, 20.0, 18.0, 16.0, 14.0, 13.0, 12.0, 11.0])
    write_raw(s, AT - 49, [0.5] * 30 + [back_kpa] * 20)
    assert was_opened(s, AT, NUM) is opened


def slipping(**fields: Any) -> Any:
    """Return a unit that slips since 60 bins: 0.5 L until it was sure, 10 L in all."""
    event = {
        **{"opening": OPEN, "ev_on": AT - 60, "op_on": AT - 60, "ev_last": AT, "ev_pulses": 1, "ev_l": 10.0},
        **{
            "ev_depth": 38.0,
            "ev_base": QUIET_KPA,
            "ev_fall": 30.0,
            "ev_milked": 200,
            "ev_tail": 3.0,
            "ev_rise": 30.0,
        },
        **{"sure_l": 0.5, "sure_last": AT - 45, "sure_pulses": 1, "sure_depth": 12.0, "sure_fall": 9.0},
        **{"sure_peak": 40.0, "ev_peak": 600.0, "op_peak": 600.0, "ev_found": AT - 58, "op_found": AT - 58},
    }
    on = {"attached": 1, "settled": 1, "on_bin": AT - 2_000, "high_bin": AT - 1, "fell_bin": -1, "open": 1}
    s = stall(**(on | event | {"off_run": 50, "usual": QUIET_KPA} | fields))
    write_raw(s, AT - 100, [QUIET_KPA] * 101)
    write_air(s, [0.0] * 50 + [600.0])
    return s


def test_a_slip_before_a_take_off_is_told_as_it_was_while_sure() -> None:
    """What the take-off added is no air; an event that only began with the take-off is none."""
    s, now = slipping(), moment(AT)
    end_by_removal(s, AT - 40, now, NUM)
    (h,) = told(now)
    assert (h["litres"], h["depth"], h["to_bin"]) == (0.5, 12.0, AT - 44)
    s, now = slipping(), moment(AT)
    end_by_removal(s, AT - 55, now, NUM)
    assert told(now) == []


@pytest.mark.parametrize(("opened", "pulses", "to_bin"), [(51, 2, AT - 44), (50, 1, AT - 54)])
def test_the_shut_valve_is_no_further_opening_of_a_slip(opened: int, pulses: int, to_bin: int) -> None:
    """What opened within half a second of it, or later, was the valve: the opening before is the last."""
    event = {"op_on": AT - opened, "sure_pulses": 2, "firm_last": AT - 55, "firm_end": AT - 54}
    s, now = slipping(**event), moment(AT)
    end_by_removal(s, AT - 40, now, NUM)
    (h,) = told(now)
    assert (h["pulses"], h["to_bin"]) == (pulses, to_bin)


def test_a_unit_that_lost_its_seal_is_waited_for() -> None:
    """The slip before is told at once, the fall later: since when, at what vacuum, with how much air."""
    s, now = slipping(ev_common=1.0), moment(AT)
    lose_unit(s, AT - 20, now, NUM)
    (h,) = told(now)
    assert (h["litres"], h["to_bin"]) == (0.5, AT - 44)
    assert (s["hanging"], s["hang_from"], s["hang_last"], s["hang_off"]) == (UNTOLD, AT - 20, AT, AT - 49)
    assert (s["hang_quiet"], s["hang_l_min"]) == (QUIET_KPA + 1.0, pytest.approx(600.0))
    assert (s["ev_on"], s["ev_l"]) == (AT - 20, 9.5)


@pytest.mark.parametrize(("ev_low", "start"), [(FALLEN, AT - 30), (0, AT - 60)])
def test_a_fall_ends_the_attachment_where_the_vacuum_went(ev_low: int, start: int) -> None:
    """Where it collapsed, or with the opening when it never was under half."""
    s, now = slipping(ev_low=ev_low, low_on=AT - 30, on_bins=900, data_bins=800), moment(AT)
    fall(s, now, NUM)
    *_, off = told(now)
    assert (off["what"], off["to_bin"], s["off_bin"], s["attached"]) == (DETACHED, start, start, 0)
    assert (s["on_bins"], s["data_bins"]) == (900 - (AT - start), 800 - (AT - start))
    assert (s["opening"], s["hanging"], s["hang_from"]) == (NONE, UNTOLD, start)


@pytest.mark.parametrize(("began", "told_of"), [(AT - 72, 0), (AT - 76, 0), (AT - 96, 1)])
def test_what_a_slow_shut_valve_does_before_the_arm_pulls_is_no_slip(began: int, told_of: int) -> None:
    """A claw that drains for over a second under its valve: an event that began with that is dropped."""
    s, now = slipping(high_bin=AT - 64, fell_bin=AT - 49, ev_on=began, op_on=began), moment(AT)
    s["low_on"], s["low_run"], s["eased"], s["sure_last"] = AT - 50, 3, 1, AT - 90
    write_raw(s, AT - 120, [QUIET_KPA] * 46 + [*np.linspace(40.0, 20.0, 24)] + [0.3] * 50)
    detach(s, now, NUM)
    assert [h["what"] for h in told(now)] == [CLOSED] * told_of + [DETACHED]
    assert s["hanging"] == 0


@pytest.mark.parametrize(("fell", "hanging"), [(AT - 48, UNTOLD), (AT - 40, 0)])
def test_how_the_vacuum_went_tells_a_take_off_from_a_fall(fell: int, hanging: int) -> None:
    """Gone within two bins is a fall that is waited for; within ten it was taken off."""
    s, now = slipping(high_bin=AT - 50, fell_bin=fell), moment(AT)
    detach(s, now, NUM)
    assert (s["hanging"], s["attached"], s["off_bin"]) == (hanging, 0, AT - 49)
    assert told(now)[-1]["what"] == DETACHED
    assert s["take_offs"] == 1
