"""Conditions as episodes: opened by several bad verdicts, closed by several good ones."""

from __future__ import annotations

import pytest

from detect.episode import NEEDED, WATCHED, Finding, Verdict, is_open, take_finding
from detect.kinds import Condition
from detect.params import BIN_NS
from detect.results import ConditionEvent
from detect.state import new_stalls

FIGURES = {
    Condition.SENSOR_FROZEN: (44.1, 12.0, 0.0),
    Condition.SENSOR_ZERO_OFF: (1.2,),
    Condition.VENT_BLOCKED: (3.2, 0.9, 3.0, 10.7, 5.0),
    Condition.SLOW_VACUUM_DECAY: (2.3, 0.9, 4.1, 10.7, 0.1),
    Condition.PULSATION_OFF: (0.03, 1.33, 0.0, 120.0),
    Condition.STEADY_LEAK: (22.0, 7.9, 3.1),
}


def told(condition: Condition, verdicts: str) -> list[ConditionEvent | None]:
    """Take verdicts of ten seconds each, b for bad and g for good, and return what each made known."""
    s = new_stalls(3)[2]
    results = []
    for k, letter in enumerate(verdicts):
        verdict = Verdict.BAD if letter == "b" else Verdict.GOOD
        figures = FIGURES[condition] if letter == "b" else ()
        results.append(
            take_finding(s, "p", Finding(condition, verdict, 200 * k + 10, 200 * k + 200, figures))
        )
    return results


def test_every_condition_but_the_gap_is_watched() -> None:
    """A gap is told by the milking that it tore."""
    assert {*WATCHED, Condition.DATA_GAP} == set(Condition)


@pytest.mark.parametrize("condition", WATCHED)
def test_an_episode_is_told_once_and_once_more_with_its_end(condition: Condition) -> None:
    """However long it stands, it is one event from the first bad verdict to the first good one."""
    opens, closes = NEEDED[condition]
    events = [e for e in told(condition, "b" * (opens + 7) + "g" * (closes + 3)) if e]
    assert [e.end_ns is None for e in events] == [True, False]
    assert events[0].start_ns == events[1].start_ns == 10 * BIN_NS
    assert events[0].detected_ns == events[1].detected_ns == 200 * opens * BIN_NS
    assert events[1].end_ns == (200 * (opens + 7) + 10) * BIN_NS
    assert events[0].is_first_report
    assert not events[1].is_first_report
    assert (events[0].stall, events[0].condition) == (3, condition)


def test_single_odd_looks_make_and_end_nothing() -> None:
    """A bad verdict between good ones is forgotten, and so is a good one between bad ones."""
    assert not any(told(Condition.PULSATION_OFF, "bbgbbgbbg"))
    events = told(Condition.PULSATION_OFF, "bbb" + "gbggbg")
    assert [e is not None for e in events] == [False, False, True] + [False] * 6


def test_a_fault_that_comes_again_is_another_event() -> None:
    """After its end a condition opens anew, with a start of its own."""
    events = [e for e in told(Condition.SENSOR_FROZEN, "bgb") if e]
    assert [e.start_ns // BIN_NS for e in events] == [10, 10, 410]


def test_an_episode_lasts_for_a_bin_at_least() -> None:
    """Whatever its verdicts speak of: a good one may speak of what was before the bad one."""
    s = new_stalls(1)[0]
    take_finding(s, "p", Finding(Condition.SENSOR_FROZEN, Verdict.BAD, 500, 600, (44.1, 12.0, 0.0)))
    event = take_finding(s, "p", Finding(Condition.SENSOR_FROZEN, Verdict.GOOD, 400, 800))
    assert event is not None
    assert (event.start_ns, event.end_ns) == (500 * BIN_NS, 501 * BIN_NS)


def test_the_state_says_whether_it_stands() -> None:
    """Other judges may ask."""
    s = new_stalls(1)[0]
    assert not is_open(s, Condition.SENSOR_FROZEN)
    take_finding(s, "p", Finding(Condition.SENSOR_FROZEN, Verdict.BAD, 0, 200, (44.0, 10.0, 0.0)))
    assert is_open(s, Condition.SENSOR_FROZEN)


@pytest.mark.parametrize(
    ("condition", "words"),
    [
        (Condition.SENSOR_FROZEN, "44.10 kPa unchanged for 12 s under vacuum"),
        (Condition.SENSOR_ZERO_OFF, "+1.20 kPa while the unit hangs open"),
        (Condition.VENT_BLOCKED, "takes 3.2 s after the shut-off, usually 0.9 s"),
        (Condition.SLOW_VACUUM_DECAY, "claw vacuum in milking as usual"),
        (Condition.PULSATION_OFF, "0.03 kPa, usually 1.33 kPa at 120 a minute"),
        (Condition.STEADY_LEAK, "about 22 L/min of air beyond the usual"),
    ],
)
def test_the_evidence_carries_the_figures(condition: Condition, words: str) -> None:
    """A technician reads what was measured and what is usual."""
    event = next(e for e in told(condition, "bbb") if e)
    assert words in event.evidence
