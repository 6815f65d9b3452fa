"""A happening of the kernel told in the contract's words: times, kinds, phases and what may not be named."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from detect.arm_state import DRAG, SLACK
from detect.assemble import Figures, StallBook
from detect.cause import Evidence, Excess, attribute
from detect.history import EXCESS
from detect.kinds import AirKind, Condition, Phase, Quarter, SupportState
from detect.params import BIN_NS, DetectorParams
from detect.results import AirEvent, ConditionEvent
from detect.state import HAPPENING_DTYPE
from detect.tell import YOUNG_S, air_event, air_kind, gap_event, phase_of, plant_event, support_event
from detect.unit import WITH_ARM, WITHOUT_ARM

PARAMS = DetectorParams()
MINUTE = 60 * 10**9 // BIN_NS
SECOND = MINUTE // 60
SPAN = {"from_bin": 10 * MINUTE, "to_bin": 10 * MINUTE + 2 * SECOND, "found_bin": 10 * MINUTE + SECOND}


def happening(**values: float) -> Any:
    """Return a happening of two seconds, ten minutes after 1970, found after one."""
    h = np.zeros(1, HAPPENING_DTYPE)[0]
    for name, value in {**SPAN, **values}.items():
        h[name] = value
    return h


def book(*, milking: bool = True) -> StallBook:
    told = StallBook("willowmere", 3, cow="17")
    if milking:
        told.attach(9 * MINUTE, begun=True)
    return told


def told(
    *, stall_book: StallBook | None = None, kind: AirKind = AirKind.LINER_SLIP, **values: float
) -> AirEvent:
    evidence = Evidence(kind=kind, flow_kg_min=2.0)
    verdict = attribute(evidence, Excess(by_cause=EXCESS))
    return air_event(
        happening(**values),
        stall_book or book(),
        evidence,
        verdict=verdict,
        params=PARAMS,
        label="3+0123abcd",
    )


def test_bins_become_instants() -> None:
    """An event lasts from its first bin to the end of its last, and is told after the bin that found it."""
    event = told()
    assert (event.start_ns, event.end_ns) == (600 * 10**9, 602 * 10**9)
    assert event.detected_ns == 601 * 10**9 + BIN_NS
    assert told(to_bin=SPAN["from_bin"]).end_ns == event.start_ns + BIN_NS


def test_events_of_a_stall_have_names_of_their_own() -> None:
    """Two events a second apart are two, and each knows the milking it fell into, if there was one."""
    stall_book = book()
    first, second = (told(stall_book=stall_book, from_bin=SPAN["from_bin"] + k * SECOND) for k in (0, 1))
    assert first.event_id != second.event_id
    assert stall_book.milking is not None
    assert first.milking_id == second.milking_id == stall_book.milking.milking_id
    assert told(stall_book=book(milking=False)).milking_id is None


def test_no_more_vacuum_is_lost_than_was_there() -> None:
    """From 40 kPa a unit can fall by 40 kPa, whatever noise says, and never by less than none."""
    assert told(base=40.0, depth=55.0).depth_kpa == pytest.approx(40.0)
    assert told(base=40.0, depth=15.0).depth_kpa == pytest.approx(15.0)
    assert told(base=40.0, value=2.0, depth=55.0).depth_kpa == pytest.approx(42.0)
    negative = told(base=40.0, depth=-1.0, litres=-0.1, peak=-2.0, fall=-3.0)
    figures = (negative.depth_kpa, negative.air_l, negative.peak_air_l_min, negative.max_fall_kpa_250ms)
    assert figures == (0.0, 0.0, 0.0, 0.0)


@pytest.mark.parametrize(("number", "quarter"), [(0, None), (1, Quarter.LEFT_FRONT), (4, Quarter.RIGHT_REAR)])
def test_a_slip_names_its_quarter_and_a_fall_none(number: int, quarter: Quarter | None) -> None:
    """Quarters are told of slips only: a unit off its teats is open everywhere."""
    assert told(quarter=number).quarter is quarter
    assert told(quarter=number, kind=AirKind.FALL_OFF).quarter is None


@pytest.mark.parametrize(
    ("flag", "peak", "kind"),
    [
        (WITH_ARM, 500.0, AirKind.VACUUM_REMOVAL),
        (WITHOUT_ARM, 500.0, AirKind.FALL_OFF),
        (5 * SECOND, 2.0 * PARAMS.air.fall_off_l_min, AirKind.FALL_OFF),
        (SECOND, 2.0 * PARAMS.air.fall_off_l_min, AirKind.FALL_OFF),
        (SECOND - 1, 2.0 * PARAMS.air.fall_off_l_min, AirKind.LINER_SLIP),
        (5 * SECOND, 0.5 * PARAMS.air.fall_off_l_min, AirKind.LINER_SLIP),
        (0, 2.0 * PARAMS.air.fall_off_l_min, AirKind.LINER_SLIP),
    ],
)
def test_the_end_names_the_kind(flag: int, peak: float, kind: AirKind) -> None:
    """The arm took it, it fell, it lay wide open for long, or it sealed again."""
    assert air_kind(happening(flag=flag, peak=peak), PARAMS.air.fall_off_l_min) is kind


@pytest.mark.parametrize(
    ("flow", "seen", "phase"),
    [
        (1.0, {"peak_flow": 0.0, "age": 20 * SECOND}, Phase.LET_DOWN),
        (3.0, {"peak_flow": 1.0, "rising": 1, "age": 30 * SECOND}, Phase.LET_DOWN),
        (3.0, {"peak_flow": 1.0, "rising": 1, "age": YOUNG_S * SECOND - 1}, Phase.LET_DOWN),
        (3.0, {"peak_flow": 1.0, "rising": 1, "age": YOUNG_S * SECOND + 1}, Phase.PEAK),
        (3.0, {"peak_flow": 1.0, "rising": 0, "age": 30 * SECOND}, Phase.PEAK),
        (3.0, {"peak_flow": 1.0, "rising": 1, "age": 5 * MINUTE}, Phase.PEAK),
        (3.9, {"peak_flow": 4.0, "age": 3 * MINUTE}, Phase.PEAK),
        (1.5, {"peak_flow": 4.0, "age": 5 * MINUTE}, Phase.DECLINE),
        (0.2, {"peak_flow": 4.0, "age": 6 * MINUTE}, Phase.LOW_FLOW),
        (0.2, {"peak_flow": 0.3, "age": 6 * MINUTE}, Phase.DECLINE),
    ],
)
def test_phases_follow_the_flow_and_not_the_clock(flow: float, seen: dict[str, float], phase: Phase) -> None:
    """Rising is let-down while young, near the best is peak, under it decline, under low flow nearly dry."""
    assert phase_of(happening(**seen), flow, PARAMS.milking.low_flow_kg_min) is phase


@pytest.mark.parametrize(("flag", "state"), [(SLACK, SupportState.SLACK), (DRAG, SupportState.DRAG)])
def test_a_lapse_of_support_is_told_with_its_share(flag: int, state: SupportState) -> None:
    """State, share, span and the milking are those of the happening."""
    event = support_event(happening(flag=flag, value=0.25), book())
    assert (event.state, event.support_share, event.stall) == (state, 0.25, 3)
    assert (event.start_ns, event.end_ns, event.detected_ns) == (
        600 * 10**9,
        602 * 10**9,
        601 * 10**9 + BIN_NS,
    )
    assert event.milking_id is not None
    assert support_event(happening(flag=flag), book(milking=False)).milking_id is None


def test_a_dip_is_told_with_its_stalls() -> None:
    """Depth, span and how many units felt it."""
    dip = plant_event(happening(flag=7, depth=3.5), "willowmere")
    assert (dip.start_ns, dip.end_ns, dip.depth_kpa, dip.stalls_touched) == (600 * 10**9, 602 * 10**9, 3.5, 7)


def test_what_was_missing_is_one_condition_of_the_milking() -> None:
    """Gaps of a milking are told once with their number and sum, and not at all where there were none."""
    whole, holed = book(), book()
    assert gap_event(whole) == []
    assert gap_event(book(milking=False)) == []
    assert holed.milking is not None
    holed.milking.gaps, holed.milking.gap_bins = 2, 3 * SECOND
    holed.milking.gap_from, holed.milking.gap_to = SPAN["from_bin"], SPAN["to_bin"]
    (event,) = gap_event(holed)
    assert (event.condition, event.start_ns, event.end_ns) == (Condition.DATA_GAP, 600 * 10**9, 602 * 10**9)
    assert event.evidence == "2 gaps, 3.0 s of the unit's vacuum missing"
    assert holed.close(Figures(), PARAMS.milking, ended=True) == []


@pytest.mark.parametrize(("end_s", "first"), [(None, True), (5, True), (9, True), (12, False)])
def test_a_condition_is_new_unless_it_ended_after_it_was_found(end_s: int | None, first: bool) -> None:
    """Found after 9 s: what had no end then, or was over by then, was not told before."""
    end_ns = None if end_s is None else end_s * 10**9
    event = ConditionEvent("p", 1, 0, end_ns, 9 * 10**9, Condition.STEADY_LEAK, "")
    assert event.is_first_report is first
