"""One simulated record with a plant sensor and one without, made once for all tests of the laws."""

from __future__ import annotations

import pytest

from detect.results import Result
from tests.detect.record import Record, heard, simulated


@pytest.fixture(scope="session", params=[100, None], ids=["plant sensor", "no plant sensor"])
def record(request: pytest.FixtureRequest) -> Record:
    """Simulate eight minutes of eight stalls with one percent of the messages lost."""
    return simulated(plant_hz=request.param)


@pytest.fixture(scope="session")
def told(record: Record) -> list[Result]:
    """Return what the detector says about the undisturbed record."""
    return heard(record.readings)
