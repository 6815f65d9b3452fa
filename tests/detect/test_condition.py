"""A parlor that needs a technician and one that does not, and the laws on what is said of them."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from detect.checkpoint import Checkpoint
from detect.kinds import AirKind, Channel, Condition
from detect.readings import StallVacuum
from detect.results import AirEvent, ConditionEvent, Result
from simulator.faults import Fault, FaultKind
from simulator.scenario import Scenario, plain
from simulator.sensors import Sensors
from tests.detect.record import STALLS, Record, S, detector, end_ns, heard, interleaved, recorded, reframed
from tests.detect.scripted import Parlor

MINUTES = 11
LENGTH_S = 60.0 * MINUTES
FAULTS = {
    1: Fault(FaultKind.FROZEN_SENSOR, 1, 150.0, 200.0),
    2: Fault(FaultKind.PULSATION_OFF, 2, 100.0, 400.0),
    3: Fault(FaultKind.PULSATION_RATE, 3, 0.0, LENGTH_S, 0.75),
    4: Fault(FaultKind.SENSOR_OFFSET, 4, 0.0, LENGTH_S, 2.0),
    5: Fault(FaultKind.BAD_LINER, 5, 0.0, LENGTH_S, 7.0),
    6: Fault(FaultKind.BAD_LINER, 6, 0.0, LENGTH_S, 7.0),
}


def scenario() -> Scenario:
    """Return a loaded rotary with six faults and a sensor in every short milk tube, 0.5 % lost."""
    base = plain(seed=24, stalls=STALLS, hours=MINUTES / 60.0)
    sensors = Sensors(loss_share=0.005, duplicate_share=0.0, quarters=True, offset_kpa=0.1)
    return replace(base, loaded=True, faults=tuple(FAULTS.values()), sensors=sensors, plant_dips_per_h=0.0)


@pytest.fixture(scope="module")
def worn() -> Record:
    """Return the record of the worn parlor."""
    return recorded(scenario())


@pytest.fixture(scope="module")
def said(worn: Record) -> list[Result]:
    """Return what is said of it."""
    return heard(worn.readings)


def conditions(results: list[Result]) -> set[tuple[int, Condition]]:
    """Return which conditions were told of which stalls, gaps apart."""
    events = [r for r in results if isinstance(r, ConditionEvent)]
    return {(e.stall, e.condition) for e in events if e.condition is not Condition.DATA_GAP}


def test_every_fault_is_found_at_its_stall_and_nothing_else(said: list[Result]) -> None:
    """Frozen, unzeroed, dead and slow devices are named; sound stalls and worn liners are not."""
    assert conditions(said) == {
        (1, Condition.SENSOR_FROZEN),
        (2, Condition.PULSATION_OFF),
        (3, Condition.PULSATION_OFF),
        (4, Condition.SENSOR_ZERO_OFF),
    }


def test_start_and_end_are_those_of_the_fault(worn: Record, said: list[Result]) -> None:
    """The freezing is dated to a few seconds at both ends, and told once found, once over."""
    origin_ns = min(r.t_ns for r in worn.readings)
    found, over = (
        r for r in said if isinstance(r, ConditionEvent) and r.condition is Condition.SENSOR_FROZEN
    )
    assert found.end_ns is None
    assert over.end_ns is not None
    assert (found.start_ns - origin_ns) / S == pytest.approx(150.0, abs=4.0)
    assert (over.end_ns - origin_ns) / S == pytest.approx(200.0, abs=4.0)
    assert found.detected_ns - found.start_ns < 25 * S


@pytest.mark.parametrize(("off_kpa", "corrected_kpa"), [(1.5, 1.5), (5.0, 2.0)])
def test_the_zero_check_corrects_the_claw_s_figures(off_kpa: float, corrected_kpa: float) -> None:
    """A sensor that is off while the unit hangs open is corrected in the figures, by 2 kPa at most."""
    told = []
    for zero_kpa in (0.0, off_kpa):
        parlor = Parlor.of(1, 240)
        parlor.stalls[0].cow(40.0, "17").milk(60.0, 200.0)
        parlor.stalls[0].kpa += zero_kpa
        told.append(parlor.told())
    right, off = (result.milkings[0].mean_claw_kpa for result in told)
    assert right is not None
    assert off is not None
    assert off - right == pytest.approx(off_kpa - corrected_kpa, abs=0.05)
    assert conditions(told[0].results) == set()
    assert conditions(told[1].results) == {(1, Condition.SENSOR_ZERO_OFF)}


def test_slips_name_the_quarter_that_leaked(worn: Record, said: list[Result]) -> None:
    """Nearly every slip names its quarter; a unit off its teats names none."""
    slips = [r for r in said if isinstance(r, AirEvent) and r.kind is AirKind.LINER_SLIP]
    assert len(slips) >= 8
    assert np.mean([slip.quarter is not None for slip in slips]) >= 0.8
    assert all(
        r.quarter is None for r in said if isinstance(r, AirEvent) and r.kind is not AirKind.LINER_SLIP
    )
    right = [
        slip.quarter == truth
        for slip in slips
        for stall, start_ns, truth in worn.true_quarters
        if stall == slip.stall and abs(start_ns - slip.start_ns) < S // 2 and slip.quarter is not None
    ]
    assert len(right) >= 6
    assert np.mean(right) >= 0.9


def test_without_tube_sensors_no_quarter_is_named(worn: Record) -> None:
    """The claw alone cannot tell quarters."""
    claws = [r for r in worn.readings if not isinstance(r, StallVacuum) or r.channel is Channel.CLAW]
    slips = [r for r in heard(claws) if isinstance(r, AirEvent)]
    assert slips
    assert all(slip.quarter is None for slip in slips)


def test_a_restart_changes_nothing(worn: Record, said: list[Result]) -> None:
    """Cut at eight random places, restored into a new detector, it goes on to the same results."""
    first, told = detector(), list[Result]()
    rng = np.random.default_rng(6)
    cuts = sorted(int(cut) for cut in rng.choice(len(worn.readings), 8, replace=False))
    for start, stop in pairwise([0, *cuts, len(worn.readings)]):
        for reading in worn.readings[start:stop]:
            told += first.feed(reading)
        stored: Checkpoint = first.checkpoint()
        second = detector()
        second.restore(stored)
        assert second.checkpoint() == stored
        first = second
    assert told + first.flush() == said


@pytest.mark.parametrize("frame_s", [0.2, 1.0])
def test_the_framing_changes_nothing(worn: Record, said: list[Result], frame_s: float) -> None:
    """The same samples in frames of another length give the same results."""
    assert heard(reframed(worn.readings, frame_s)) == said


def test_the_interleaving_changes_nothing(worn: Record, said: list[Result]) -> None:
    """Readings up to 0.4 s late, each topic in order, give the same results."""
    mixed = interleaved(worn.readings, np.random.default_rng(2), most_s=0.4)
    assert heard(mixed) == said


def test_nothing_is_known_before_its_data(worn: Record, said: list[Result]) -> None:
    """No condition is found before the data that show it were read."""
    one, newest_ns = detector(), 0
    told = 0
    for reading in worn.readings:
        newest_ns = max(newest_ns, end_ns(reading))
        for result in one.feed(reading):
            told += isinstance(result, ConditionEvent)
            assert not isinstance(result, ConditionEvent) or result.detected_ns <= newest_ns
    assert told >= 5
    assert told <= len(said)
