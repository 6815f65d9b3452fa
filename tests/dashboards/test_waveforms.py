"""The vacuum around an event is kept when the event is told, and only the last ones of a stall."""

from __future__ import annotations

import json

import numpy as np
import pytest

from dashboards.live.waveforms import AROUND_BINS, KEPT, Waveforms
from detect.params import BIN_NS
from detect.state import Bins, new_stalls
from detect.trail import Trail
from tests.dashboards.stage import START_NS, slip

FIRST = START_NS // BIN_NS
STALLS = 2


@pytest.fixture
def trail() -> Trail:
    """Return half a minute in which the second stall's vacuum counts the bins, with one of them missing."""
    made, state = Trail(STALLS), new_stalls(STALLS)
    for k in range(600):
        row = np.array([[40.0, np.nan if k == 205 else 0.05 * k]])
        nothing = np.full((1, STALLS), np.nan)
        made.add(
            Bins(FIRST + k, row, np.array([43.0]), nothing, nothing, nothing, np.empty((1, STALLS, 0))), state
        )
    return made


def test_the_waveform_begins_before_the_onset_and_ends_after_the_end(trail: Trail) -> None:
    """Two seconds on both sides are shown; a missing bin stays missing, and JSON can carry it."""
    waves = Waveforms()
    event = slip(2, START_NS + 200 * BIN_NS)
    waves.keep([event], trail)
    wave = waves.of(2)[event.event_id]
    assert wave["t"] == (FIRST + 200 - AROUND_BINS) * BIN_NS // 1_000_000
    assert len(wave["v"]) == 20 + 2 * AROUND_BINS
    assert wave["v"][AROUND_BINS] == pytest.approx(10.0)
    assert wave["v"][AROUND_BINS + 5] is None
    assert json.loads(json.dumps(wave, allow_nan=False)) == wave
    assert waves.of(1) == {}


def test_what_is_no_longer_kept_is_not_made_up(trail: Trail) -> None:
    """An event at the record's beginning shows what there is."""
    waves = Waveforms()
    event = slip(2, START_NS + 5 * BIN_NS)
    waves.keep([event], trail)
    assert len(waves.of(2)[event.event_id]["v"]) == 5 + 20 + AROUND_BINS


def test_only_the_last_waveforms_of_a_stall_are_kept(trail: Trail) -> None:
    """Memory is bounded however often a stall slips."""
    waves = Waveforms()
    events = [slip(2, START_NS + k * BIN_NS) for k in range(KEPT + 5)]
    waves.keep(events, trail)
    assert list(waves.of(2)) == [event.event_id for event in events[-KEPT:]]
