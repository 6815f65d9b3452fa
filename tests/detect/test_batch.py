"""Readings as columns: nothing is lost on the way there and back."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from detect.batch import ARM, ReadingBatch
from detect.errors import ParameterError
from detect.kinds import Channel
from detect.parlor import ParlorDetector
from detect.readings import ArmPosition, CowAtStall, MilkFlow, PlantVacuum, Reading, StallVacuum

STALL, TIME = st.integers(1, 9), st.integers(0, 2**62)
RATE, NUMBER = st.floats(0.5, 1000.0), st.floats(-50.0, 150.0)
SAMPLES = st.lists(NUMBER, min_size=1, max_size=5).map(np.array)
PAIRS = st.lists(st.tuples(NUMBER, NUMBER), min_size=1, max_size=5).map(np.array)
READINGS = st.lists(
    st.builds(StallVacuum, STALL, TIME, RATE, SAMPLES, st.sampled_from(Channel))
    | st.builds(PlantVacuum, TIME, RATE, SAMPLES)
    | st.builds(MilkFlow, STALL, TIME, NUMBER)
    | st.builds(
        lambda s, t, r, p: ArmPosition(s, t, r, p[:, 0].copy(), p[:, 1].copy()), STALL, TIME, RATE, PAIRS
    )
    | st.builds(CowAtStall, STALL, TIME, st.none() | st.text()),
    max_size=12,
)


def same(one: Sequence[Reading], other: Sequence[Reading]) -> bool:
    """Compare readings by all they hold."""
    return list(map(repr, one)) == list(map(repr, other))


@settings(deadline=None)
@given(readings=READINGS)
def test_readings_come_back_from_columns(readings: list[Reading]) -> None:
    """Row by row they are what was put in."""
    batch = ReadingBatch.of(readings)
    assert same(batch.readings(), readings)
    assert (
        batch.values.size
        == batch.rows["count"].sum() + batch.rows["count"][batch.rows["stream"] == ARM].sum()
    )
    assert same([r for at in range(len(batch)) for r in batch.part(at, at + 1).readings()], readings)


@settings(deadline=None)
@given(readings=READINGS, cuts=st.lists(st.integers(0, 12), max_size=4))
def test_joined_batches_hold_what_their_parts_hold(readings: list[Reading], cuts: list[int]) -> None:
    """Whether the parts share their numbers or not."""
    edges = [0, *sorted(cuts), len(readings)]
    whole = ReadingBatch.of(readings)
    spans = list(itertools.pairwise(edges))
    own = [ReadingBatch.of(readings[a:b]) for a, b in spans]
    shared = [whole.part(a, b) for a, b in spans]
    assert same(ReadingBatch.join(own).readings(), readings)
    assert same(ReadingBatch.join(shared).readings(), readings)
    assert same(ReadingBatch.join([*own, *shared]).readings(), readings * 2)


def test_a_batch_with_a_stranger_is_refused_as_a_whole() -> None:
    """No reading of it is taken, whatever stood before the one of a stall that does not exist."""
    detector = ParlorDetector(parlor="willowmere", stalls=2)
    before = detector.checkpoint()
    for stall in (0, 3):
        with pytest.raises(ParameterError, match=f"stall {stall} is outside"):
            detector.feed_batch(ReadingBatch.of([CowAtStall(1, 0, "17"), MilkFlow(stall, 0, 1.0)]))
    assert detector.checkpoint() == before


def test_claw_vacuum_alone_can_be_taken_from_a_batch() -> None:
    """No plant, tube, flow or cow; a milk flow's row has the rate of one a second."""
    claw = StallVacuum(1, 0, 100.0, np.ones(5))
    readings: list[Reading] = [
        *(claw, replace(claw, channel=Channel.LEFT_REAR), PlantVacuum(0, 100.0, np.ones(5))),
        *(MilkFlow(1, 0, 2.0), CowAtStall(1, 0, "17"), replace(claw, stall=2)),
    ]
    batch = ReadingBatch.of(readings)
    assert [r.stall for r in batch.claw_vacuum().readings() if isinstance(r, StallVacuum)] == [1, 2]
    assert len(batch.claw_vacuum()) == 2
    assert batch.rows["rate_hz"].tolist() == [100.0, 100.0, 100.0, 1.0, 0.0, 100.0]
    with pytest.raises(TypeError):
        ReadingBatch.of([object()])  # type: ignore[list-item]
