"""The figures of one opening and how it ended, each function alone on a few bins written by hand."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from detect.opening import (
    ANEW,
    APART,
    CLEAR,
    CLEAR_SHARE,
    DRIEST_KG_MIN,
    EASING,
    FALLEN,
    GONE_SHARE,
    HANGING_SHARE,
    LASTING,
    LESS_MILK,
    NEAR_RESEAL,
    NEARLY_QUIET,
    NO_MILK,
    SOME_KG_MIN,
    air_at,
    back_to_sure,
    easing_began,
    end_pulse,
    event_end,
    has_fallen,
    make_sure,
    note_collapse,
    note_depth,
    note_reseal,
    push_air,
)
from detect.params import BIN_S
from detect.state import LATE, RING
from tests.detect.by_hand import QUIET_KPA, stall, write_raw

AT = 1_150
SURE = {"last": 7, "pulses": 3, "low": 2, "l": 0.8, "peak": 30.0, "depth": 12.0, "fall": 9.0}


def test_air_comes_back_as_it_was_given() -> None:
    """Of 300 bins the last hundred are told to the litre a minute, whatever lay in the ring before."""
    s = stall()
    s["air_sum"] = 99.0
    air = np.random.default_rng(1).uniform(-5.0, 90.0, 300)
    for value in air:
        push_air(s, value)
    back = [air_at(s, k, 4.0) for k in range(100)]
    assert back == pytest.approx(air[::-1][:100] - 4.0, abs=1e-6)
    whole_l = s["air_sum"][299 & (RING - 1)]
    assert whole_l == pytest.approx(air.sum() * BIN_S / 60.0)


def test_a_fall_is_measured_from_the_quiet_vacuum_and_over_a_quarter_second() -> None:
    """Two kPa a bin: after 8 bins 16 kPa deep, at most 10 kPa within five bins; the rise changes nothing."""
    s = stall(ev_base=41.0, ev_common=1.0)
    kpa = [42.0] * 6 + [42.0 - 2.0 * k for k in range(1, 9)] + [42.0] * 5
    write_raw(s, AT, kpa)
    for b in range(AT + 5, AT + len(kpa)):
        note_depth(s, b)
    assert (s["ev_depth"], s["ev_fall"]) == (16.0, 10.0)


def test_what_is_missing_is_no_depth() -> None:
    """Bins without data are passed over, and so is a fall whose beginning was not seen."""
    s = stall(ev_base=42.0)
    last = write_raw(s, AT, [42.0, np.nan, np.nan, np.nan, np.nan, 20.0, 12.0, np.nan])
    note_depth(s, last)
    assert (s["ev_depth"], s["ev_fall"]) == (0.0, 0.0)
    note_depth(s, last - 1)
    assert (s["ev_depth"], s["ev_fall"]) == (30.0, 0.0)


def collapsing(slip_bins: int, **fields: Any) -> tuple[Any, int, int]:
    """Return a slip of 15 kPa that collapses, its last bin, and the bin under half the vacuum.

    The slip takes in 60 L/min, the collapse 600.
    """
    s = stall(op_on=AT, ev_base=QUIET_KPA, ev_last=AT + slip_bins, ev_pulses=1, ev_peak=60.0, **fields)
    kpa = [QUIET_KPA] * 30 + [QUIET_KPA - 15.0] * slip_bins + [20.0, 14.0]
    last = write_raw(s, AT - 30, kpa)
    litres = np.cumsum([60.0] * slip_bins + [600.0, 600.0]) * BIN_S / 60.0
    for k, ev_l in enumerate(litres.tolist()):
        s["late_l"][(AT + k) % LATE] = ev_l
    s["ev_l"] = litres[-1]
    return s, AT + slip_bins - 1, last


def test_a_slip_that_collapses_keeps_its_own_figures() -> None:
    """What came in before the collapse, how deep and how steep, is kept apart; the collapse is dated."""
    s, slipped, last = collapsing(20)
    note_collapse(s, last)
    assert s["low_on"] == slipped
    assert s["sure_last"] == slipped - 1
    assert s["sure_l"] == pytest.approx(19 * 60.0 * BIN_S / 60.0)
    assert (s["sure_depth"], s["sure_fall"], s["sure_pulses"]) == (15.0, 15.0, 1)
    assert s["eased"] == 0


def test_a_slip_of_several_openings_keeps_its_deepest() -> None:
    """The opening that collapsed was at 15 kPa before; one before it had been at 20, and steeper."""
    s, _, last = collapsing(20, sure_depth=20.0, sure_fall=18.0)
    note_collapse(s, last)
    assert (s["sure_depth"], s["sure_fall"]) == (20.0, 18.0)


def test_what_a_shut_valve_lets_go_leaves_the_slip_before_it_as_it_was() -> None:
    """Opened a quarter of a second before the easing, it keeps the figures from near the quiet vacuum."""
    kept = {f"sure_{k}": v for k, v in SURE.items()}
    s = stall(op_on=AT - 5, ev_base=QUIET_KPA, ev_pulses=4, ev_l=5.0, **kept)
    note_collapse(s, write_raw(s, AT - 20, [QUIET_KPA] * 20 + [40.0 - 1.5 * k for k in range(13)]))
    assert s["eased"] == 1
    assert {k: s[f"sure_{k}"] for k in SURE} == SURE


def test_a_slight_slip_before_a_collapse_keeps_its_own_depth() -> None:
    """Half a kPa for a second, then everything: the collapse adds nothing to it."""
    s = stall(op_on=AT + 10, ev_base=QUIET_KPA, ev_pulses=1, ev_l=0.5)
    last = write_raw(s, AT, [QUIET_KPA] * 10 + [QUIET_KPA - 0.5] * 20 + [20.0, 5.0])
    note_collapse(s, last)
    assert (s["low_on"], s["sure_depth"], s["sure_fall"]) == (AT + 29, 0.5, 0.5)


@pytest.mark.parametrize(("way", "eased"), [([40.0 - 1.5 * k for k in range(13)], 1), ([20.0, 5.0], 0)])
def test_a_collapse_keeps_whether_the_vacuum_had_eased_off_before(way: list[float], eased: int) -> None:
    """Little by little down to half is a shut valve, whatever was noted of an earlier one."""
    s = stall(op_on=AT, ev_base=QUIET_KPA, ev_low=FALLEN, eased=1 - eased)
    note_collapse(s, write_raw(s, AT - 20, [QUIET_KPA] * 20 + way))
    assert s["eased"] == eased


@pytest.mark.parametrize(("late", "eased"), [(0, 1), (3, 1), (9, 1), (12, 0)])
def test_a_collapse_heard_late_is_judged_by_what_came_before_it(late: int, eased: int) -> None:
    """A draining that the arm cut short: half a second after the vacuum was gone it is still remembered."""
    drained = [*np.linspace(40.0, 20.0, 24), 11.0]
    s = stall(op_on=AT + 46 + late, ev_base=QUIET_KPA, ev_low=FALLEN, eased=1 - eased)
    note_collapse(s, write_raw(s, AT, [QUIET_KPA] * 20 + drained + [0.1] * (1 + late)))
    assert s["eased"] == eased


@pytest.mark.parametrize(("slip_bins", "fields"), [(APART - 1, {}), (20, {"ev_low": FALLEN})])
def test_a_collapse_at_once_or_a_second_one_keeps_nothing_apart(
    slip_bins: int, fields: dict[str, int]
) -> None:
    """Where it began with the collapse there was no slip; and once fallen, what was kept stays."""
    s, slipped, last = collapsing(slip_bins, **fields, **{f"sure_{k}": v for k, v in SURE.items()})
    note_collapse(s, last)
    assert s["low_on"] == slipped
    assert {k: s[f"sure_{k}"] for k in SURE} == SURE


def test_a_collapse_is_dated_where_it_is_steep_and_never_before_its_opening() -> None:
    """A gentle slope before is not part of it; nor is what came before the opening, however steep."""
    s = stall(op_on=AT + 9, ev_base=QUIET_KPA, ev_low=FALLEN)
    last = write_raw(s, AT, [42.0 - k for k in range(20)] + [12.0, 5.0])
    note_collapse(s, last)
    assert s["low_on"] == AT + 19
    steep = stall(op_on=AT + 9, ev_base=QUIET_KPA, ev_low=FALLEN)
    last = write_raw(steep, AT, [42.0 - 3.0 * k for k in range(13)])
    note_collapse(steep, last)
    assert steep["low_on"] == AT + 9


def easing(kpa: list[float]) -> int:
    """Tell whether a vacuum eased off to its last bin, after a quiet second."""
    s = stall(ev_base=QUIET_KPA - 1.0, ev_common=1.0)
    last = write_raw(s, AT, [QUIET_KPA] * 20 + kpa)
    return int(easing_began(s, last + 1) <= last)


def test_a_shut_valve_lets_the_vacuum_go_little_by_little() -> None:
    """Down to half within 0.7 s is a valve; the same within a tenth, or all of it in one step, is not."""
    assert easing([*np.linspace(40.0, 20.0, 14)]) == 1
    assert easing([38.0, 20.0]) == 0
    assert easing([38.5] * 8 + [20.0] * 6) == 0


def test_an_easing_began_where_the_vacuum_left_the_quiet_one() -> None:
    """The first bin under 0.93 of it, up to three seconds back; an opening stands in its own bin."""
    s = stall(ev_base=QUIET_KPA)
    last = write_raw(s, AT, [QUIET_KPA] * 20 + [40.0, *np.linspace(39.0, 20.0, 13)])
    assert 39.0 < NEARLY_QUIET * QUIET_KPA < 40.0
    assert easing_began(s, last + 1) == AT + 21
    last = write_raw(s, AT, [QUIET_KPA] * 32 + [38.0, 20.0])
    assert easing_began(s, last + 1) == last + 1


def test_a_little_or_a_short_easing_is_none() -> None:
    """A sixth of the vacuum must be gone and a quarter second spent; a quiet vacuum eases nothing."""
    gone = GONE_SHARE * QUIET_KPA
    assert easing([*np.linspace(QUIET_KPA, QUIET_KPA - gone - 1.0, 20)]) == 1
    assert easing([*np.linspace(QUIET_KPA, QUIET_KPA - gone + 1.0, 20)]) == 0
    slope = [41.0, 40.0, 39.2, *(37.5 - 1.5 * np.arange(EASING))]
    assert easing(slope[:-1]) == 0
    assert easing(slope) == 1
    assert easing([]) == 0


def test_the_newest_vacuum_that_was_measured_counts_and_no_more_than_three_seconds() -> None:
    """Missing bins at the end do not hide an easing, and a vacuum low for long is judged by what is seen."""
    assert easing([*np.linspace(40.0, 20.0, 14), np.nan, np.nan]) == 1
    assert easing([*np.linspace(39.0, 21.0, 90)]) == 1


@pytest.mark.parametrize(
    ("flow_before", "flow_now", "fallen"),
    [
        (3.0, 0.9 * LESS_MILK * 3.0, True),
        (3.0, 1.1 * LESS_MILK * 3.0, False),
        (0.5 * DRIEST_KG_MIN, 3.0, True),
    ],
)
def test_two_seconds_under_half_are_a_fall_if_the_milk_stays_away(
    flow_before: float, flow_now: float, fallen: bool
) -> None:
    """A meter that goes on says the unit hangs; one that never said anything does not count."""
    s = stall(low_run=FALLEN, flow_bin=AT, ev_flow=flow_before, flow=flow_now)
    assert has_fallen(s, AT) is fallen
    s["low_run"] -= 1
    assert not has_fallen(s, AT)


def test_without_a_meter_the_vacuum_alone_tells_a_fall() -> None:
    """Nobody measures milk: two seconds under half are enough."""
    assert has_fallen(stall(low_run=FALLEN, flow_bin=-1, ev_flow=3.0, flow=3.0), AT)


LOW = HANGING_SHARE * QUIET_KPA


@pytest.mark.parametrize(
    ("after", "kpa", "before", "now", "fallen"),
    [
        (LASTING + 1, LOW - 1.0, 3.0, 0.9 * NO_MILK * 3.0, True),
        (LASTING, LOW - 1.0, 3.0, 0.9 * NO_MILK * 3.0, False),
        (LASTING + 1, LOW + 1.0, 3.0, 0.9 * NO_MILK * 3.0, False),
        (LASTING + 1, LOW - 1.0, 3.0, 1.1 * NO_MILK * 3.0, False),
        (LASTING + 1, LOW - 1.0, 0.9 * SOME_KG_MIN, 0.0, False),
    ],
)
def test_a_unit_that_hangs_open_for_long_without_milk_has_fallen(
    after: int, kpa: float, before: float, now: float, fallen: bool
) -> None:
    """Over five seconds, under four fifths, no milk where there was some: all of it, or none."""
    s = stall(op_on=AT, ev_base=QUIET_KPA, flow_bin=AT, ev_flow=before, flow=now)
    write_raw(s, AT + after, [kpa])
    assert has_fallen(s, AT + after) is fallen


def test_an_event_goes_back_to_what_was_sure() -> None:
    """All seven figures are kept and taken back; once the unit has fallen nothing is kept any more."""
    s = stall(**{f"ev_{k}": v for k, v in SURE.items()})
    make_sure(s)
    for k in SURE:
        s[f"ev_{k}"] = 99
    s["ev_low"] = FALLEN
    make_sure(s)
    back_to_sure(s)
    assert {k: s[f"ev_{k}"] for k in SURE} == SURE


def resealing(rises: list[float], *, fall: float = 0.0, ago: int = 3, **fields: Any) -> Any:
    """Return an opening after bins of that likeness to a reseal which began so long before the last."""
    opened = {"op_on": AT - 40, "reseal_found": AT - 40, "reseal_on": -1, "ev_score": 30.0, "trace_n": 60}
    s = stall(**(opened | fields))
    for j in range(ago):  # a rise leaves the fall's trace, the other way up
        s["fresh"][(60 - ago + 1 + j) & 31] = 5.0 * s["falls"][0, j]
    for k, rise in enumerate(rises):
        s["now_rise"], s["now_score"] = rise, fall
        note_reseal(s, AT - len(rises) + 1 + k)
    return s


def test_an_opening_reseals_where_the_rise_began() -> None:
    """Of a clear rise only, and of one that is not much fainter than the clearest since the opening."""
    assert resealing([CLEAR + 0.1])["reseal_on"] == AT - 2
    assert resealing([CLEAR - 0.1])["reseal_on"] == -1
    assert resealing([CLEAR_SHARE * 50.0 + 0.1], op_rise=50.0)["reseal_on"] == AT - 2
    assert resealing([CLEAR_SHARE * 50.0 - 0.1], op_rise=50.0)["reseal_on"] == -1


def test_the_clearest_bin_of_a_rise_tells_and_a_later_rise_is_another_reseal() -> None:
    """The likeness grows and sinks over some bins; a fainter one more than 0.2 s on is the next reseal."""
    assert resealing([20.0, 30.0])["reseal_on"] == AT - 2
    assert resealing([30.0, 20.0])["reseal_on"] == AT - 3
    assert resealing([30.0, *[0.0] * (ANEW - 1), 20.0])["reseal_on"] == AT - ANEW - 2
    assert resealing([30.0, *[0.0] * ANEW, 20.0])["reseal_on"] == AT - 2


def test_a_fall_after_it_undoes_a_reseal() -> None:
    """The cup let go again; a faint fall is ringing, and one in the same bin is the rise's own shadow."""
    known = {"reseal_on": AT - 9, "reseal_found": AT - 5, "reseal_rise": 30.0}
    assert resealing([0.0], fall=CLEAR_SHARE * 30.0 + 0.1, **known)["reseal_on"] == -1
    assert resealing([0.0], fall=CLEAR_SHARE * 30.0 - 0.1, **known)["reseal_on"] == AT - 9
    assert resealing([0.0], fall=CLEAR - 0.1, **(known | {"ev_score": 1.0}))["reseal_on"] == AT - 9
    assert resealing([0.0], fall=20.0, **(known | {"reseal_found": AT}))["reseal_on"] == AT - 9
    assert resealing([0.0, 9.0], fall=20.0, **known)["reseal_rise"] == 9.0


@pytest.mark.parametrize(
    ("reseal", "last"),
    [
        (AT - 9, AT - 10),
        (AT + 2, AT + 1),
        (AT + 1 - NEAR_RESEAL, AT - NEAR_RESEAL),
        (AT - NEAR_RESEAL, AT),
        (-1, AT),
        (AT - 20, AT),
    ],
)
def test_an_event_ends_where_its_last_opening_resealed(reseal: int, last: int) -> None:
    """Within 0.6 s of where the air seems to end: further off it is the reseal of something else."""
    s = stall(op_on=AT - 20, ev_last=AT, ev_pulses=1, ev_peak=90.0, op_peak=90.0, reseal_on=reseal)
    end_pulse(s)
    assert (s["ev_last"], s["firm_last"], event_end(s)) == (AT, AT, last + 1)


def test_what_did_not_end_by_itself_has_no_reseal() -> None:
    """A unit taken off or fallen meanwhile, and figures that went back to before."""
    s = stall(ev_last=AT, firm_last=AT, firm_end=AT - 5)
    assert event_end(s) == AT - 5
    s["ev_low"] = -1
    assert event_end(s) == AT + 1
    s["ev_low"], s["ev_last"] = 0, AT - 9
    assert event_end(s) == AT - 8
