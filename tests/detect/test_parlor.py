"""What the composed detector shows of now, what it keeps over a restart, and how milkings end."""

from __future__ import annotations

from dataclasses import replace

import pytest

from detect.kinds import AirKind, Condition
from detect.parlor import ParlorDetector
from detect.readings import CowAtStall, StallVacuum
from detect.results import ConditionEvent, Milking, Result
from tests.detect.scripted import START_NS, Parlor, S, at_s, told_without


def fed(parlor: Parlor, until_s: float) -> ParlorDetector:
    """Return a detector that has heard a script up to a second."""
    detector = ParlorDetector(parlor="willowmere", stalls=len(parlor.stalls))
    for reading in parlor.readings():
        if at_s(reading.t_ns) < until_s:
            detector.feed(reading)
    return detector


def milking(count: int = 1, seconds: int = 300) -> Parlor:
    """Return stalls in milking from 20 to 250 s."""
    parlor = Parlor.of(count, seconds)
    for stall in parlor.stalls:
        stall.cow(5.0, f"c{stall.number}").milk(20.0, 250.0)
    return parlor


def test_now_is_what_the_last_bin_showed() -> None:
    """An attached unit with its vacuum, flow, cow and milking; an empty stall with none of them."""
    parlor = milking(2, 130)
    parlor.stalls[1] = replace(parlor.stalls[1])
    detector = fed(parlor, 120.0)
    on, off = detector.now()
    assert (on.stall, on.attached, on.cow, on.silent_s) == (1, True, "c1", 0.0)
    assert at_s(on.t_ns) == pytest.approx(120.0, abs=0.5)
    assert on.vacuum_kpa == pytest.approx(42.0, abs=2.0)
    assert on.flow_kg_min == pytest.approx(3.0, abs=0.1)
    assert on.milking_id is not None
    assert (on.air_since_ns, on.air_l, on.low_s, on.unsupported_since_ns) == (None, 0.0, 0.0, None)
    assert (off.stall, off.attached, off.milking_id, off.vacuum_kpa is None) == (2, False, None, False)


def test_before_any_reading_nothing_is_known() -> None:
    """A new detector shows stalls at the beginning of time, without readings."""
    (now,) = ParlorDetector(parlor="willowmere", stalls=1).now()
    assert (now.t_ns, now.vacuum_kpa, now.flow_kg_min, now.cow) == (0, None, None, None)
    plant = ParlorDetector(parlor="willowmere", stalls=1).plant_now()
    assert (plant.t_ns, plant.dip_since_ns, plant.dip_kpa) == (0, None, 0.0)


def test_now_shows_air_while_it_comes_in() -> None:
    """A slip in hand has its onset and its litres; a fallen unit the time for which it has lain open."""
    slipping = milking()
    slipping.stalls[0].open(120.0, 3.0, 12.0)
    (now,) = fed(slipping, 122.0).now()
    assert now.air_since_ns is not None
    assert at_s(now.air_since_ns) == pytest.approx(120.0, abs=0.15)
    assert 0.3 < now.air_l < 20.0
    assert now.low_s == 0.0
    fallen = milking()
    fallen.stalls[0].drop(120.0)
    fallen.stalls[0].kpa[fallen.stalls[0].t >= 120.1] = 7.0
    for until_s in (121.5, 131.0):
        (now,) = fed(fallen, until_s).now()
        assert now.low_s == pytest.approx(until_s - 120.0, abs=0.7)
        assert now.air_l > 1.0
    (after,) = fed(fallen, 119.0).now()
    assert (after.air_l, after.low_s) == (0.0, 0.0)


def test_now_shows_for_how_long_a_stall_is_silent() -> None:
    """Two stalls go on, one says nothing for a while: its vacuum is not known."""
    parlor = milking(3, 130)
    detector = ParlorDetector(parlor="willowmere", stalls=3)
    for reading in parlor.readings():
        if not (isinstance(reading, StallVacuum) and reading.stall == 2 and at_s(reading.t_ns) >= 110.0):
            detector.feed(reading)
    now = detector.now()[1]
    assert now.vacuum_kpa is None
    assert now.silent_s == pytest.approx(at_s(now.t_ns) - 110.0, abs=0.1)
    assert now.silent_s > 5.0


def test_the_plant_s_dip_in_hand_is_shown() -> None:
    """Since when, and how deep it is now."""
    parlor = milking(4, 160).with_plant().dip(120.0, 5.0, 6.0)
    now = fed(parlor, 123.0).plant_now()
    assert now.dip_since_ns is not None
    assert at_s(now.dip_since_ns) == pytest.approx(120.1, abs=0.2)
    assert now.dip_kpa == pytest.approx(5.2, abs=0.6)
    assert fed(parlor, 119.0).plant_now().dip_since_ns is None


def test_a_restart_keeps_cows_their_memory_and_those_to_come() -> None:
    """Who was milked is remembered, and who is announced for later is not lost."""
    parlor = Parlor.of(1, 500)
    parlor.stalls[0].cow(5.0, "17").milk(20.0, 150.0).cow(200.0, "18").milk(220.0, 330.0)
    whole = fed(parlor, 260.0)
    whole.feed(CowAtStall(1, START_NS + 400 * S, "19"))
    cut = ParlorDetector(parlor="willowmere", stalls=1)
    cut.restore(whole.checkpoint())
    assert cut.history.cows == whole.history.cows
    assert set(cut.history.cows) == {"17"}
    assert cut.timeline.cows == [CowAtStall(1, START_NS + 400 * S, "19")]
    assert cut.checkpoint() == whole.checkpoint()


def gaps(results: list[Result]) -> list[ConditionEvent]:
    """Return the gaps that were told."""
    return [r for r in results if isinstance(r, ConditionEvent) and r.condition is Condition.DATA_GAP]


def test_what_was_missing_of_a_milking_is_told_with_its_row() -> None:
    """From the first gap to the end of the last, with number and seconds; not of an empty stall."""
    parlor = Parlor.of(2, 300)
    parlor.stalls[0].cow(5.0, "17").milk(20.0, 200.0).cow(230.0, "x")
    whole = told_without(parlor, 1, 80.0, 83.0)
    (gap,) = gaps(whole.results)
    assert (at_s(gap.start_ns), at_s(gap.end_ns or 0)) == (pytest.approx(80.0), pytest.approx(83.0))
    assert gap.evidence == "1 gaps, 3.0 s of the unit's vacuum missing"
    assert gaps(told_without(parlor, 2, 80.0, 83.0).results) == []
    assert gaps(told_without(parlor, 1, 5.0, 9.0).results) == []


def test_two_gaps_are_one_event() -> None:
    """It begins with the first and ends with the last."""
    parlor = Parlor.of(1, 300)
    parlor.stalls[0].cow(5.0, "17").milk(20.0, 200.0).cow(230.0, "x")
    detector = ParlorDetector(parlor="willowmere", stalls=1)
    results: list[Result] = []
    for reading in parlor.readings():
        t_s = at_s(reading.t_ns)
        if not (isinstance(reading, StallVacuum) and (80.0 <= t_s < 82.0 or 100.0 <= t_s < 101.5)):
            results += detector.feed(reading)
    (gap,) = gaps(results + detector.flush())
    assert (at_s(gap.start_ns), at_s(gap.end_ns or 0)) == (pytest.approx(80.0), pytest.approx(101.5))
    assert gap.evidence == "2 gaps, 3.5 s of the unit's vacuum missing"


def test_a_milking_ends_when_its_cow_is_not_put_on_again() -> None:
    """A nameless one after two minutes, a named one after a quarter of an hour, or when another cow comes."""
    ends = {}
    for name in (None, "17"):
        parlor = Parlor.of(1, 1_300)
        if name:
            parlor.stalls[0].cow(5.0, name)
        parlor.stalls[0].milk(20.0, 200.0)
        detector = ParlorDetector(parlor="willowmere", stalls=1)
        for reading in parlor.readings():
            if any(isinstance(r, Milking) for r in detector.feed(reading)):
                ends[name] = at_s(reading.t_ns)
    assert ends[None] == pytest.approx(201.0 + 120.0, abs=15.0)
    assert ends["17"] == pytest.approx(201.0 + 900.0, abs=15.0)


def test_a_fall_at_the_end_of_the_record_is_told() -> None:
    """What still hangs open when the record ends belongs to its milking."""
    parlor = milking(1, 150)
    parlor.stalls[0].drop(140.0)
    parlor.stalls[0].kpa[parlor.stalls[0].t >= 140.1] = 7.0
    told = parlor.told()
    assert [event.kind for event in told.air] == [AirKind.FALL_OFF]
    assert [row.fall_offs for row in told.milkings] == [1]
    assert told.milkings[0].complete is False
