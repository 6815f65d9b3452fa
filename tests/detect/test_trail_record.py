"""The trail beside a simulated record: it changes nothing of what the detector says, and its air adds up."""

from __future__ import annotations

import numpy as np
import pytest

from detect.kinds import AirKind
from detect.params import BIN_NS
from detect.results import AirEvent, Result
from detect.trail import AIR, Trail
from tests.detect.record import STALLS, Record, detector, heard, simulated


@pytest.fixture(scope="module")
def record() -> Record:
    return simulated(plant_hz=100)


@pytest.fixture(scope="module")
def traced(record: Record) -> tuple[list[Result], list[tuple[AirEvent, np.ndarray]]]:
    """Return all results, and with each air event its traces from onset to end as kept when it was told."""
    new = detector()
    new.trail = Trail(STALLS)
    results: list[Result] = []
    kept = []

    def take(more: list[Result]) -> None:
        results.extend(more)
        assert new.trail is not None
        for event in more:
            if isinstance(event, AirEvent):
                span = event.start_ns // BIN_NS, event.end_ns // BIN_NS
                kept.append((event, new.trail.cut(event.stall, *span).traces))

    for reading in record.readings:
        take(new.feed(reading))
    take(new.flush())
    return results, kept


def test_a_trail_changes_no_result(
    record: Record, traced: tuple[list[Result], list[tuple[AirEvent, np.ndarray]]]
) -> None:
    """With and without a trail the detector says the same to the last bit."""
    assert traced[0] == heard(record.readings)
    assert len(traced[1]) > 10


def test_the_trail_of_a_slip_adds_up_to_its_litres(
    traced: tuple[list[Result], list[tuple[AirEvent, np.ndarray]]],
) -> None:
    """Air summed over a single opening agrees with the event's litres: both come from one model."""
    off = [
        abs(float(np.nansum(traces[AIR])) * 0.05 / 60.0 - event.air_l) / event.air_l
        for event, traces in traced[1]
        if event.kind is AirKind.LINER_SLIP and event.pulses == 1 and event.air_l > 0.15
    ]
    assert len(off) > 3
    assert np.median(off) < 0.1
