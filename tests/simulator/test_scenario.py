"""Scenarios and presets."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import pytest

from simulator.claw import Tube
from simulator.faults import Fault, FaultKind
from simulator.platform import Deck
from simulator.scenario import DEFAULT_START_NS, PRESETS, Routine, Scenario, plain
from simulator.slips import SlipLaw


def test_the_default_start_is_an_early_monday_morning():
    """The record begins at 2031-03-03T04:30Z unless told otherwise."""
    assert datetime.fromtimestamp(DEFAULT_START_NS / 1e9, UTC) == datetime(2031, 3, 3, 4, 30, tzinfo=UTC)


@pytest.mark.parametrize("name", sorted(PRESETS))
def test_every_preset_takes_seed_stalls_and_hours(name):
    """Each preset gives a valid scenario of the size asked for."""
    scenario = PRESETS[name](seed=5, stalls=24, hours=0.5)
    assert (scenario.seed, scenario.deck.stalls, scenario.duration_s) == (5, 24, 1800.0)


def test_presets_differ_from_the_plain_one_as_their_names_say():
    """No inertia, heavy slugging, fluttering and no plant sensor each change just that."""
    base = plain()
    assert PRESETS["no_inertia"]() == replace(base, tube=Tube.QUASI_STEADY)
    assert PRESETS["no_plant_sensor"]().sensors == replace(base.sensors, plant_hz=None)
    assert PRESETS["fluttering"]().law.flutter_share > 0.5
    assert PRESETS["heavy_slugging"]().slugging.plugs_per_s > 5.0 * base.slugging.plugs_per_s


def test_the_faulty_stalls_differ_from_seed_to_seed():
    """The bad liners of two seeds hang at different stalls."""
    first, second = ({f.stall for f in plain(seed=s).faults} for s in (1, 2))
    assert first != second
    assert len(first) == 3


@pytest.mark.parametrize(
    "wrong",
    [
        {"duration_s": 0.0},
        {"duration_s": 10.5},
        {"deck": Deck(stalls=0)},
        {"parlor": "a/b"},
        {"parlor": ""},
        {"vent_mm": 0.0},
        {"faults": (Fault(FaultKind.BAD_LINER, 99, 0.0, 1.0),)},
        {"routine": Routine(go_round_share=1.5)},
        {"law": SlipLaw(flutter_share=-0.1)},
    ],
)
def test_impossible_settings_are_refused(wrong):
    """A scenario that cannot be simulated says so when it is made."""
    with pytest.raises(ValueError, match=r"."):
        replace(Scenario(), **wrong)
