"""One milking unit alone on the bench: a record of gaps in, a trace of vacuum out."""

from __future__ import annotations

from dataclasses import dataclass

import numba
import numpy as np

from simulator.air import free_air_l_min
from simulator.claw import FloatArray, Surroundings, Unit, advance
from simulator.steady import steady_state


@numba.njit(cache=True)
def _march(
    state: tuple[float, float, float], inputs: FloatArray, unit: FloatArray, gaps_mm2: FloatArray
) -> FloatArray:
    out = np.empty((gaps_mm2.size, 4))
    own = inputs.copy()
    for k in range(gaps_mm2.size):
        own[0] = inputs[0] + gaps_mm2[k]
        state = advance(state, own, unit, inputs[7])
        out[k, 0], out[k, 1], out[k, 2] = state
        out[k, 3] = free_air_l_min(gaps_mm2[k], state[0], inputs[4])
    return out


@dataclass(frozen=True, slots=True)
class Trace:
    """What one unit did: vacuum [kPa], tube speed [m/s], milk in the tube [kg], gap air [L/min], by step."""

    vacuum_kpa: FloatArray
    speed_m_s: FloatArray
    tube_milk_kg: FloatArray
    gap_air_l_min: FloatArray


def run_unit(unit: Unit, around: Surroundings, gaps_mm2: FloatArray, *, dt_s: float) -> Trace:
    """Integrate one unit from rest at its steady state through a record of gaps.

    Parameters
    ----------
    unit, around
        The unit and what it hangs on.
    gaps_mm2
        Discharge area of the gap at each step [mm2], shape (steps,).
    dt_s
        Step [s], at most 0.005.

    Raises
    ------
    ValueError
        If the step is too long for a stable integration.
    """
    if not 0.0 < dt_s <= 0.005:
        raise ValueError(f"dt_s {dt_s} is outside 0..0.005 s")
    start = steady_state(unit, around)
    out = _march(start, around.as_inputs(dt_s), unit.as_row(), np.ascontiguousarray(gaps_mm2))
    return Trace(around.outside_kpa - out[:, 0], out[:, 1], out[:, 2], out[:, 3])
