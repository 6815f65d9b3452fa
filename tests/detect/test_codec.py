"""Readings and results survive the way through JSON text."""

from __future__ import annotations

import json
from dataclasses import fields

import numpy as np
import pytest

from detect.codec import reading_from_json, reading_to_json, result_from_json, result_to_json
from detect.kinds import AirKind, Cause, Channel, Condition, Phase, Quarter, SupportState
from detect.readings import ArmPosition, CowAtStall, MilkFlow, PlantVacuum, Reading, StallVacuum
from detect.results import AirEvent, ConditionEvent, Milking, PlantEvent, Result, SupportEvent
from tests.store.drawn import air_event

T_NS = 1_930_280_400_123_456_789
THIRD = np.array([1.0 / 3.0, -0.1, 42.0])
READINGS: list[Reading] = [
    StallVacuum(3, T_NS, 100.0, THIRD, Channel.LEFT_REAR),
    PlantVacuum(T_NS, 50.0, THIRD),
    MilkFlow(3, T_NS, 1.0 / 7.0),
    ArmPosition(3, T_NS, 5.0, THIRD, 2.0 * THIRD),
    CowAtStall(3, T_NS, "17", "m1", "g1", 2, 88),
    CowAtStall(3, T_NS, None),
]
RESULTS: list[Result] = [
    AirEvent(
        event_id="a",
        parlor="willowmere",
        stall=3,
        milking_id=None,
        kind=AirKind.VACUUM_REMOVAL,
        start_ns=T_NS,
        end_ns=T_NS + 1,
        detected_ns=T_NS + 2,
        depth_kpa=1.0 / 3.0,
        max_fall_kpa_250ms=0.1,
        air_l=0.2,
        peak_air_l_min=0.3,
        pulses=4,
        flow_kg_min=0.5,
        phase=Phase.LOW_FLOW,
        impact_kpa=0.6,
        cause=Cause.QUARTER_DRY,
        cause_share=0.7,
        confidence=0.8,
        detector="1+01234567",
        quarter=Quarter.RIGHT_REAR,
    ),
    air_event(1, quarter=None),
    SupportEvent("willowmere", 3, "m", T_NS, T_NS + 1, T_NS + 2, SupportState.DRAG, 0.25),
    PlantEvent("willowmere", T_NS, T_NS + 1, 3.3, 7),
    ConditionEvent("willowmere", 3, T_NS, None, T_NS, Condition.DATA_GAP, "2 gaps"),
    Milking(
        milking_id="m",
        parlor="willowmere",
        stall=3,
        cow=None,
        milker=None,
        group_name="g1",
        start_ns=T_NS,
        end_ns=T_NS + 1,
        yield_kg=10.0 / 3.0,
        unit_on_s=1.0,
        mean_flow_kg_min=2.0,
        peak_flow_kg_min=3.0,
        two_minute_kg=4.0,
        low_flow_s=5.0,
        mean_claw_kpa=None,
        vacuum_at_removal_kpa=6.0,
        slips=1,
        slip_air_l=0.1,
        late_slips=0,
        impact_load_kpa=0.0,
        fall_offs=0,
        reattaches=0,
        unsupported_s=0.0,
        coverage_ratio=1.0,
        complete=True,
    ),
]


@pytest.mark.parametrize("reading", READINGS, ids=lambda r: type(r).__name__)
def test_a_reading_comes_back_to_the_last_bit(reading: Reading) -> None:
    """Types, times and every float of a reading survive JSON text."""
    back = reading_from_json(json.loads(json.dumps(reading_to_json(reading))))
    assert type(back) is type(reading)
    for item in fields(reading):
        ours, theirs = getattr(reading, item.name), getattr(back, item.name)
        if isinstance(ours, np.ndarray):
            assert theirs.dtype == np.float64
            np.testing.assert_array_equal(ours, theirs)
        else:
            assert theirs == ours
            assert type(theirs) is type(ours)


@pytest.mark.parametrize("result", RESULTS, ids=lambda r: type(r).__name__)
def test_a_result_comes_back_as_it_was(result: Result) -> None:
    """Enums, missing values and every float of a result survive JSON text."""
    back = result_from_json(json.loads(json.dumps(result_to_json(result))))
    assert back == result
    for item in fields(result):
        assert type(getattr(back, item.name)) is type(getattr(result, item.name))


def test_a_kind_that_nobody_knows_is_refused() -> None:
    """A type outside of the list is no reading and no result."""
    with pytest.raises(KeyError):
        reading_from_json({"type": "PlantEvent"})
    with pytest.raises(KeyError):
        result_from_json({"type": "MilkFlow"})
