"""Killed at any point, the service ends with the tables of an uninterrupted run, row for row."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from tests.system.crashing import (
    CYCLE_S,
    Farm,
    awkward_record,
    differences,
    served_through_kills,
    squeezed,
    stored,
    uninterrupted,
)
from tests.system.mosquitto import Mosquitto

pytestmark = pytest.mark.system

KILLS = 30
STALLS = 6
MINUTES = 12.0


def test_thirty_kills_change_nothing(tmp_path: Path) -> None:
    """Killed at random and in the middle of commits, while an awkward record is published: the same rows."""
    messages = squeezed(awkward_record(stalls=STALLS, minutes=MINUTES), seconds=KILLS * CYCLE_S)
    with Mosquitto(tmp_path) as broker:
        farm = Farm(tmp_path, broker, STALLS)
        uninterrupted(messages, farm.config, tmp_path / "whole.duckdb")
        assert served_through_kills(farm, messages, kills=KILLS, rng=random.Random(4)) == 0
    assert list(differences(farm.db, tmp_path / "whole.duckdb")) == []
    rows = stored(farm.db)
    telling = ("air_event", "milking", "condition_event", "data_gap", "quarantine", "watermark")
    assert [name for name in telling if not rows[name]] == []
