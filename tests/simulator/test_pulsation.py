"""The ripple of the pulsation in the claw."""

from __future__ import annotations

import numpy as np
import pytest

from simulator.air import SEA_LEVEL_KPA
from simulator.claw import LOW_LINE, Surroundings, Tube
from simulator.plant import ParlorState, Plant, advance_parlor
from simulator.pulsation import Pulsation, fill_liner_rates, kernel_shape
from simulator.steady import steady_state

STEPS = 400
DT_S = 1.0 / STEPS


def _liner_rates(pulsation: Pulsation, seconds: int) -> np.ndarray:
    rates = np.empty((1, STEPS * seconds))
    fill_liner_rates(rates, np.zeros(1), np.array([DT_S]), kernel_shape(pulsation, DT_S))
    return rates


def _ripple_kpa(displacement_l: float, milk_kg_min: float) -> float:
    """Return the peak-to-peak ripple of a low-line claw over one second, after it has settled."""
    seconds = 6
    steps = STEPS * seconds
    around = Surroundings(milk_kg_min=milk_kg_min)
    state = ParlorState.at_rest(1, SEA_LEVEL_KPA, SEA_LEVEL_KPA - 44.0)
    state.claw[0, :3] = steady_state(LOW_LINE, around)
    drive = (
        np.zeros((1, steps)),
        np.full((1, steps), milk_kg_min / 60.0),
        _liner_rates(Pulsation(displacement_l=displacement_l), seconds),
        np.zeros((1, steps)),
        np.ones((1, steps)),
        np.zeros((1, steps)),
        np.zeros(steps),
        np.ones(steps),
        np.array([1.3]),
    )
    out = (np.empty((1, steps)), np.empty((1, steps)), np.empty(steps))
    fixed = (
        LOW_LINE.as_row(),
        Plant().as_row(1, 10.0, SEA_LEVEL_KPA),
        np.zeros((1, 1)),
        np.array([DT_S, float(Tube.MILK_PLUG)]),
    )
    advance_parlor((state.claw, state.tank), drive, fixed, out)
    return float(np.ptp(out[0][0, -STEPS:]))


def test_a_cycle_gives_back_what_it_took():
    """Over whole cycles the liners' volume comes back to where it was."""
    assert _liner_rates(Pulsation(), 3).sum() * DT_S == pytest.approx(0.0, abs=1e-9)


def test_a_pair_of_liners_opens_by_twice_its_displacement():
    """With quick liners the claw gains two displacements: the pairs work in turn, never both at once."""
    volume = np.cumsum(_liner_rates(Pulsation(swing_ratio=0.08, displacement_l=0.01), 1)[0]) * DT_S
    assert np.ptp(volume) == pytest.approx(0.02, rel=0.02)


@pytest.mark.parametrize("milk_kg_min", [1.0, 3.0])
def test_twenty_millilitre_liners_ripple_by_five_to_seven_kilopascal(milk_kg_min):
    """Alternate pulsation with 20 mL liners ripples the claw by about 4.7 to 7.5 kPa."""
    assert 4.0 <= _ripple_kpa(0.020, milk_kg_min) <= 8.0


def test_ripple_scales_with_the_liners():
    """Liners of 8 to 12 mL ripple the claw by about 2.5 to 4 kPa, in proportion to their displacement."""
    ripples = [_ripple_kpa(volume, 2.0) for volume in (0.008, 0.012)]
    assert 2.0 <= ripples[0] <= ripples[1] <= 4.6
    assert ripples[1] / ripples[0] == pytest.approx(1.5, rel=0.1)


def test_a_stopped_pulsator_moves_nothing():
    """Without cycles the liners stand still."""
    rates = np.ones((1, STEPS))
    fill_liner_rates(rates, np.array([0.3]), np.zeros(1), kernel_shape(Pulsation(), DT_S))
    assert not rates.any()
