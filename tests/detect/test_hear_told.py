"""Which events are told and which are dropped, and what stands in their rows."""

from __future__ import annotations

import math
from typing import Any

import pytest

from detect.hear import (
    ALL_ON,
    APART,
    CERTAIN,
    DEEP_KPA,
    FAINT_L_MIN,
    FAINT_RISE,
    HEAVY_TAIL,
    LAG,
    LEAST_L,
    LEAST_L_MIN,
    LONG,
    LONG_L_MIN,
    MORE_MILK,
    NONE,
    PLAIN_SCORE,
    SEALING_KPA,
    SLOW_SHARE,
    SMALL_L,
    SOME_MORE_KG_MIN,
    SPAN,
    STALE,
    SUNK_SHARE,
    USUAL_TAIL,
    YOUNG,
    belief,
    report_event,
    split_loss,
    still_sealed,
    sunk,
)
from detect.opening import FALLEN
from detect.state import MILKED, Happening
from tests.detect.by_hand import NUM, QUIET_KPA, moment, stall, told, write_level

AT = 10_110
SLIP = {
    **{
        "ev_on": AT - 40,
        "ev_last": AT - 21,
        "ev_found": AT - 38,
        "ev_pulses": 1,
        "ev_l": 0.6,
        "ev_peak": 80.0,
    },
    **{"ev_depth": 14.0, "ev_fall": 11.0, "ev_base": QUIET_KPA, "ev_flow": 2.0, "ev_milked": MILKED},
    **{"ev_score": 15.0, "ev_rise": 12.0, "ev_tail": 3.0, "ev_common": 0.5, "ev_peak_flow": 4.0},
    **{"ev_rising": 1, "ev_age": 2_000, "opening": 2, "flow": 2.0, "flow_bin": AT, "on_bin": AT - 3_000},
}


def event(**fields: Any) -> Any:
    """Return a stall with a finished slip, its baseline as before."""
    return after(QUIET_KPA, **fields)


def after(kpa: float, **fields: Any) -> Any:
    """Return that stall with another baseline after the slip."""
    s = stall(**(SLIP | fields))
    write_level(s, kpa)
    return s


def rows(s: Any) -> list[Any]:
    """Return what is told when the event ends, which always clears it."""
    now = moment(AT)
    report_event(s, now, NUM)
    assert s["opening"] == NONE
    return told(now)


def test_the_row_holds_the_event_s_figures() -> None:
    """Each figure of the state has its place in the row."""
    (h,) = rows(event())
    assert (h["what"], h["from_bin"], h["to_bin"], h["found_bin"]) == (
        Happening.AIR_CLOSED,
        AT - 40,
        AT - 20,
        AT - 38,
    )
    assert (h["litres"], h["peak"], h["depth"], h["fall"]) == (0.6, 80.0, 14.0, 11.0)
    assert (h["pulses"], h["flow"], h["base"], h["score"]) == (1, 2.0, QUIET_KPA, 15.0)
    assert (h["flag"], h["value"], h["rise"], h["tail"]) == (0, 0.5, 12.0, 3.0)
    assert (h["peak_flow"], h["rising"], h["age"]) == (4.0, 1, 2_000)
    assert NUM.least_belief < h["belief"] < 1.0


@pytest.mark.parametrize(
    ("fields", "says"),
    [
        ({"ev_l": 0.99 * LEAST_L}, False),
        ({"ev_l": 1.01 * LEAST_L}, True),
        ({"ev_l": 1.01 * LEAST_L, "ev_tail": HEAVY_TAIL}, False),
        ({"ev_on": AT - 320, "ev_l": 0.98 * LEAST_L_MIN * 15.0 / 60.0}, False),
        ({"ev_on": AT - 320, "ev_l": 1.02 * LEAST_L_MIN * 15.0 / 60.0}, True),
        ({"ev_on": AT - 600, "ev_l": 0.98 * LONG_L_MIN * 29.0 / 60.0}, False),
        ({"ev_on": AT - 600, "ev_l": 1.02 * LONG_L_MIN * 29.0 / 60.0}, True),
        ({"ev_on": AT - 600, "ev_l": 0.5 * LONG_L_MIN * 29.0 / 60.0, "ev_low": 3}, True),
        ({"ev_on": AT - 20 - LONG, "ev_l": 0.5 * LONG_L_MIN * 20.0 / 60.0}, True),
        ({"ev_on": AT - 21 - LONG, "ev_l": 0.5 * LONG_L_MIN * 20.0 / 60.0}, False),
        ({"ev_l": -0.2, "ev_depth": 1.01 * DEEP_KPA, "ev_score": 21.0, "ev_rise": 10.5}, True),
        ({"ev_l": -0.2, "ev_depth": 1.01 * DEEP_KPA, "ev_score": 19.0, "ev_rise": 30.0}, False),
        ({"ev_l": -0.2, "ev_depth": 0.99 * DEEP_KPA, "ev_score": 21.0, "ev_rise": 10.5}, False),
        ({"ev_depth": 0.0}, False),
        ({"ev_depth": 0.1, "ev_fall": 0.1}, True),
        ({"ev_rise": 1.0}, False),
    ],
)
def test_what_is_hardly_air_is_dropped(fields: dict[str, float], says: bool) -> None:
    """Too few litres at once or by the minute, no depth, or too little likeness to a reseal."""
    assert bool(rows(event(**fields))) is says


def test_a_deep_fall_admitted_at_least_what_may_be_lost_among_slugs() -> None:
    """A deep and plain slip of which the model finds no air at all is told with the least that is heard."""
    (h,) = rows(event(ev_l=-0.2, ev_depth=20.0, ev_score=30.0, ev_rise=30.0))
    assert h["litres"] == LEAST_L


def test_a_faint_and_long_one_is_a_drift() -> None:
    """One pulse, under 20 L/min, no reseal to speak of, over 3 s: only all four together drop it."""
    faint = {
        "ev_peak": 0.99 * FAINT_L_MIN,
        "ev_rise": 0.99 * FAINT_RISE,
        "ev_on": AT - 22 - STALE,
        "ev_tail": 1.0,
    }
    assert rows(event(**faint)) == []
    for one in (
        {"ev_peak": 1.01 * FAINT_L_MIN},
        {"ev_rise": 1.01 * FAINT_RISE},
        {"ev_on": AT - 21 - STALE},
        {"ev_pulses": 2},
    ):
        assert len(rows(event(**(faint | one)))) == 1


def test_a_slip_before_the_first_milk_must_leave_the_vacuum_as_it_was() -> None:
    """A cup put on raises it by a kPa or more: that was attaching, unless milk had come."""
    assert rows(after(QUIET_KPA + 1.01 * SEALING_KPA, ev_milked=MILKED - 1)) == []
    assert len(rows(after(QUIET_KPA + 0.99 * SEALING_KPA, ev_milked=MILKED - 1))) == 1
    assert len(rows(after(QUIET_KPA + 1.01 * SEALING_KPA))) == 1


def test_whether_it_is_still_sealed_needs_a_baseline() -> None:
    """Without one nobody can say it was a cup."""
    s = after(QUIET_KPA + 5.0)
    assert not still_sealed(s)
    s["seen"] = LAG + SPAN - 1
    assert still_sealed(s)


def test_a_vacuum_that_stays_away_was_milk_or_the_plant() -> None:
    """Half the depth or more is missing afterwards: nothing resealed. A unit that fell is another matter."""
    away = QUIET_KPA - 14.0 * SUNK_SHARE
    assert sunk(after(away - 0.1))
    assert not sunk(after(away + 0.1))
    assert not sunk(after(away - 0.1, ev_low=-1))
    young = after(away - 0.1)
    young["seen"] = LAG + SPAN - 1
    assert not sunk(young)


def test_what_stays_away_is_dropped_if_milk_explains_it_or_it_was_slow() -> None:
    """So much more milk, or a fall of which little came within 0.25 s; a sudden one alone is told."""
    away, more = QUIET_KPA - 8.0, MORE_MILK * 2.0 + SOME_MORE_KG_MIN
    assert len(rows(after(away))) == 1
    assert rows(after(away, flow=more + 0.01)) == []
    assert len(rows(after(away, flow=more - 0.01))) == 1
    assert len(rows(after(away, flow=more + 0.01, flow_bin=-1))) == 1
    assert rows(after(away, ev_fall=0.99 * SLOW_SHARE * 14.0)) == []
    assert len(rows(after(away, ev_fall=1.01 * SLOW_SHARE * 14.0))) == 1
    assert len(rows(after(QUIET_KPA, flow=more + 0.01, ev_fall=1.0))) == 1


def odds(**fields: Any) -> float:
    """Return the logarithm of the odds that an event was air."""
    p = belief(event(**fields), NUM)
    return math.log(p / (1.0 - p))


def test_the_less_air_the_likelier_a_slug() -> None:
    """Under 0.15 L the odds go with the litres, down to what is dropped anyway; above they do not."""
    heavy = {"ev_tail": HEAVY_TAIL}
    assert odds(**heavy, ev_l=SMALL_L) - odds(**heavy, ev_l=0.5 * SMALL_L) == pytest.approx(math.log(2.0))
    least = math.log(LEAST_L / SMALL_L)
    assert odds(**heavy, ev_l=LEAST_L) - odds(**heavy, ev_l=SMALL_L) == pytest.approx(least)
    assert odds(**heavy, ev_l=LEAST_L / 3.0) == odds(**heavy, ev_l=LEAST_L)
    assert odds(**heavy, ev_l=7.0) == odds(**heavy, ev_l=SMALL_L)


@pytest.mark.parametrize(("tail", "part"), [(USUAL_TAIL, 0.0), (3.2, 0.5), (HEAVY_TAIL, 1.0), (9.0, 1.0)])
def test_few_slugs_do_not_make_a_small_slip_doubtful(tail: float, part: float) -> None:
    """The litres count by how heavy the stall's tail is."""
    lost = odds(ev_tail=tail, ev_l=SMALL_L) - odds(ev_tail=tail, ev_l=0.5 * SMALL_L)
    assert lost == pytest.approx(part * math.log(2.0))


def test_the_belief_is_a_logistic_regression() -> None:
    """Twice the reseal, twice the tail or an onset in attaching move the log odds by their weights."""
    constant, rise, tail, attaching = NUM.belief
    assert odds(ev_rise=1.0, ev_tail=1.0) == pytest.approx(constant)
    assert odds(ev_rise=0.2, ev_tail=1.0) == pytest.approx(constant)
    assert odds(ev_rise=6.0) - odds(ev_rise=3.0) == pytest.approx(rise * math.log(2.0))
    assert odds(ev_tail=6.0) - odds(ev_tail=3.0) == pytest.approx(tail * math.log(2.0))
    for age, part in ((0, 1.0), (YOUNG, 1.0), ((YOUNG + ALL_ON) // 2, 0.5), (ALL_ON, 0.0), (3 * ALL_ON, 0.0)):
        assert odds(on_bin=AT - 40 - age) - odds() == pytest.approx(part * attaching)


def test_a_unit_that_lost_its_seal_is_beyond_doubt() -> None:
    """Once under half its vacuum no belief is needed, but in attaching it is."""
    assert belief(event(ev_low=-1, on_bin=AT - 41), NUM) == 1.0
    assert belief(event(ev_low=3), NUM) == 1.0
    assert belief(event(ev_low=3, on_bin=AT - 41), NUM) < 0.1
    assert belief(event(ev_low=3, on_bin=AT - 39 - ALL_ON), NUM) < 1.0
    assert belief(event(ev_low=3, on_bin=AT - 40 - ALL_ON), NUM) == 1.0
    assert belief(event(ev_low=0), NUM) < 1.0


def test_a_plain_slip_does_not_raise_the_bar() -> None:
    """What fell and came back as no slug does gives the tail back that it had raised."""
    for score, rise, kept in ((21.0, 10.5, 3.0), (19.0, 30.0, 8.0), (30.0, 9.0, 8.0)):
        assert min(score, 2.0 * rise) != PLAIN_SCORE
        s = event(ev_score=score, ev_rise=rise, tail=8.0)
        assert len(rows(s)) == 1
        assert s["tail"] == kept
    low = event(ev_score=30.0, ev_rise=30.0, tail=2.0)
    rows(low)
    assert low["tail"] == 2.0


LOST = {
    **{"ev_pulses": 3, "ev_on": AT - 200, "op_on": AT - 60, "ev_l": 12.0, "ev_depth": 40.0, "ev_fall": 35.0},
    **{
        "ev_low": FALLEN,
        "ev_last": AT,
        "op_peak": 600.0,
        "op_found": AT - 58,
        "sure_l": 0.9,
        "sure_depth": 15.0,
    },
    **{"sure_last": AT - 70, "sure_pulses": 2, "sure_fall": 12.0, "sure_peak": 90.0},
}


def split(start: int, **fields: Any) -> tuple[Any, list[Any]]:
    """Return a stall after the loss of its unit was split off, and what was told."""
    s, now = event(**(LOST | fields)), moment(AT)
    split_loss(s, start, now, NUM)
    return s, told(now)


def test_what_was_heard_before_a_loss_is_told_apart() -> None:
    """Two squawks, then the loss begins a little later than its opening: two events that share nothing."""
    s, (h,) = split(AT - 40)
    assert (h["litres"], h["depth"], h["to_bin"], h["pulses"], h["flag"]) == (0.9, 15.0, AT - 69, 3, 0)
    assert (s["ev_on"], s["ev_found"], s["ev_pulses"]) == (AT - 40, AT - 40 + CERTAIN, 1)
    assert (s["ev_l"], s["ev_depth"], s["ev_fall"]) == (pytest.approx(11.1), 40.0, 35.0)
    assert (s["ev_low"], s["ev_last"], s["ev_peak"]) == (FALLEN, AT, 600.0)


def test_an_opening_that_is_the_loss_is_no_pulse_of_what_was_before() -> None:
    """Where the loss began with its opening, what was before has one pulse less and ends before it."""
    s, (h,) = split(AT - 60 + APART, sure_last=AT)
    assert (h["pulses"], h["to_bin"]) == (2, AT - 60 + APART)
    assert s["ev_on"] == AT - 60 + APART
    assert split(AT - 60 + APART + 1)[1][0]["pulses"] == 3
    assert split(AT - 90)[0]["ev_on"] == AT - 60
    assert split(AT - 90, op_found=AT - 20)[0]["ev_found"] == AT - 20


def test_a_loss_at_once_stays_one_event() -> None:
    """One opening and it was the loss: nothing is told before."""
    s, said = split(AT - 60 + APART, ev_pulses=1)
    assert (said, s["ev_on"], s["ev_l"]) == ([], AT - 200, 12.0)
    assert len(split(AT - 60 + APART + 1, ev_pulses=1)[1]) == 1
