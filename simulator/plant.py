"""The vacuum plant: one tank, a pump, a regulator, and a milk line that couples the stalls.

    V dp/dt = pa (air of all units + pulsators + leaks + regulator - pump)

The regulator admits air in proportion to the vacuum above its opening point, with a lag. The pump
displaces a constant volume, so its free air falls with the pressure. A unit that admits much air
also lifts the line pressure of its neighbours, less the farther away they stand on the ring.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numba
import numpy as np

from simulator.air import free_air_l_min
from simulator.claw import FloatArray, advance, air_out_l_s


@dataclass(frozen=True, slots=True)
class Plant:
    """Settings of the vacuum plant.

    Parameters
    ----------
    vacuum_kpa
        Vacuum the regulator holds [kPa].
    reserve_l_min, reserve_per_unit_l_min
        Pump capacity beyond what runs in normal milking [L/min free air]: 35 cfm + 1 cfm a unit
        (Watters, NMC/ASABE talk, 2018).
    pulsator_l_min
        Air of one unit's pulsators [L/min]; engineering choice.
    leak_l_min
        Leakage of the pipes [L/min]; engineering choice.
    tank_l, tank_per_unit_l
        Gas volume of receiver and pipes [L]; engineering choice.
    gain_l_min_kpa, lag_s
        Regulator: air per kPa above its opening point, first-order lag; engineering choice.
    line_kpa_per_l_min, line_reach_stalls, line_lag_s
        Rise of the line pressure at the stall that admits air, distance in stalls over which it falls
        to 1/e, and its lag; engineering choice.
    """

    vacuum_kpa: float = 44.0
    reserve_l_min: float = 991.0
    reserve_per_unit_l_min: float = 28.3
    pulsator_l_min: float = 25.0
    leak_l_min: float = 200.0
    tank_l: float = 400.0
    tank_per_unit_l: float = 8.0
    gain_l_min_kpa: float = 1500.0
    lag_s: float = 0.3
    line_kpa_per_l_min: float = 0.002
    line_reach_stalls: float = 3.0
    line_lag_s: float = 0.15

    def pump_l_min(self, stalls: int, vent_l_min: float) -> float:
        """Return the pump's free air at the working vacuum [L/min] for ``stalls`` units."""
        reserve = self.reserve_l_min + self.reserve_per_unit_l_min * stalls
        return reserve + stalls * (self.pulsator_l_min + vent_l_min) + self.leak_l_min

    def as_row(self, stalls: int, vent_l_min: float, outside_kpa: float) -> FloatArray:
        """Return the settings as :func:`advance_parlor` wants them."""
        reserve = self.reserve_l_min + self.reserve_per_unit_l_min * stalls
        return np.array(
            [
                outside_kpa,
                self.tank_l + self.tank_per_unit_l * stalls,
                self.pump_l_min(stalls, vent_l_min) / 60.0,
                outside_kpa - self.vacuum_kpa,
                self.gain_l_min_kpa / 60.0,
                self.lag_s,
                0.5 * reserve / self.gain_l_min_kpa,
                self.leak_l_min / 60.0,
                self.pulsator_l_min / 60.0,
                self.line_lag_s,
            ]
        )

    def line_weights(self, stalls: int) -> FloatArray:
        """Return the line pressure rise [kPa per L/s] at stall i for air of stall j."""
        away = np.abs(np.subtract.outer(np.arange(stalls), np.arange(stalls)))
        ring = np.minimum(away, stalls - away)
        weights: FloatArray = 60.0 * self.line_kpa_per_l_min * np.exp(-ring / self.line_reach_stalls)
        return weights


@dataclass(slots=True)
class ParlorState:
    """Pneumatic state of all stalls and the plant, changed in place by :func:`advance_parlor`.

    ``claw`` has the columns claw pressure [kPa], mixture speed [m/s], milk in the tube [kg] and line
    pressure rise [kPa]; ``tank`` holds plant pressure [kPa], regulator air [L/s].
    """

    claw: FloatArray
    tank: FloatArray

    @classmethod
    def at_rest(cls, stalls: int, outside_kpa: float, plant_kpa: float) -> ParlorState:
        """Return a parlor with the plant at working vacuum and every unit shut off and open to the air."""
        claw = np.zeros((stalls, 4))
        claw[:, 0] = outside_kpa
        return cls(claw, np.array([plant_kpa, 0.0]))


@numba.njit(cache=True)
def _closed_step(
    p_kpa: float, holes_mm2: tuple[float, float], volume_l: float, setting: tuple[float, float, float]
) -> float:
    """Return the claw pressure after a step with the shut-off closed.

    ``holes_mm2`` are those to the outside and through the valve to the line, ``setting`` is outside and
    line pressure [kPa] and dt [s].
    """
    outside, line, dt_s = setting
    rate = outside / volume_l / 60.0
    half = p_kpa + 0.5 * dt_s * rate * _closed_inflow_l_min(p_kpa, holes_mm2, outside, line)
    inflow = _closed_inflow_l_min(min(outside, half), holes_mm2, outside, line)
    return float(min(outside, p_kpa + dt_s * rate * inflow))


@numba.njit(cache=True)
def _closed_inflow_l_min(
    p_kpa: float, holes_mm2: tuple[float, float], outside_kpa: float, line_kpa: float
) -> float:
    """Return the free air that a shut claw gains [L/min]: in from outside, less what seeps to the line."""
    gain = free_air_l_min(holes_mm2[0], p_kpa, outside_kpa)
    if holes_mm2[1] <= 0.0 or p_kpa <= line_kpa:
        return float(gain)
    return float(gain - p_kpa / outside_kpa * free_air_l_min(holes_mm2[1], line_kpa, p_kpa))


@numba.njit(cache=True)
def _advance_tank(
    tank: FloatArray, load: tuple[float, float], control: tuple[float, float, float], row: FloatArray
) -> None:
    """Advance plant pressure and regulator by one step.

    ``load`` is air [L/s] and pulsators running, ``control`` set-point shift [kPa], pump (0..1), dt [s].
    """
    shift, pump, dt_s = control
    vacuum = row[0] - tank[0]
    opening = row[0] - row[3] - shift - row[6]
    target = max(0.0, row[4] * (vacuum - opening)) * pump
    tank[1] += dt_s / row[5] * (target - tank[1])
    taken = row[2] * tank[0] / row[3] * pump
    given = load[0] + tank[1] + (row[7] + row[8] * load[1]) * min(1.0, vacuum / 30.0)
    tank[0] = min(row[0], tank[0] + dt_s * row[0] / row[1] * (given - taken))


@numba.njit(cache=True)
def advance_parlor(
    state: tuple[FloatArray, FloatArray],
    drive: tuple[FloatArray, ...],
    fixed: tuple[FloatArray, ...],
    out: tuple[FloatArray, ...],
) -> None:
    """Integrate all stalls and the plant through one record.

    Parameters
    ----------
    state
        ``claw`` and ``tank`` of :class:`ParlorState`, changed in place.
    drive
        Gap area [mm2], milk [kg/s], liner rate [L/s], line noise [kPa], valve (1 open), seep of a shut
        valve [mm2], all of shape (stalls, steps); set-point shift [kPa] and pump (0..1) of shape
        (steps,); vent area [mm2] of shape (stalls,).
    fixed
        Unit row, plant row, line weights, (dt [s], tube world).
    out
        Claw vacuum [kPa], gap air [L/min] of shape (stalls, steps); plant vacuum [kPa] of shape (steps,).
    """
    claw, tank = state
    gap, milk, liner, noise, valve, seep, shift, pump, vent = drive
    unit, row, weights, numbers = fixed
    dt_s, world = numbers[0], numbers[1]
    stalls, steps = gap.shape
    leaving = np.zeros(stalls)
    inputs = np.zeros(7)
    inputs[4] = row[0]
    inputs[5] = world
    every = max(1, round(0.01 / dt_s))
    for k in range(steps):
        air = 0.0
        pulsators = 0.0
        for i in range(stalls):
            holes = vent[i] + gap[i, k]
            if valve[i, k] > 0.5:
                inputs[0] = holes
                inputs[1] = milk[i, k]
                inputs[2] = liner[i, k]
                inputs[3] = min(row[0], tank[0] + claw[i, 3] + noise[i, k])
                now = advance((claw[i, 0], claw[i, 1], claw[i, 2]), inputs, unit, dt_s)
                claw[i, 0], claw[i, 1], claw[i, 2] = now
                leaving[i] = air_out_l_s(now[0], now[1], milk[i, k], (unit[0], row[0]))
                pulsators += 1.0
            else:
                claw[i, 0] = _closed_step(claw[i, 0], (holes, seep[i, k]), unit[5], (row[0], tank[0], dt_s))
                claw[i, 1] = 0.0
                claw[i, 2] *= math.exp(-dt_s / 3.0)
                leaving[i] = 0.0
            air += leaving[i]
            out[0][i, k] = row[0] - claw[i, 0]
            out[1][i, k] = free_air_l_min(gap[i, k], claw[i, 0], row[0])
        if k % every == 0:
            _spread_along_line(claw, leaving, weights, every * dt_s / row[9])
        _advance_tank(tank, (air, pulsators), (shift[k], pump[k], dt_s), row)
        out[2][k] = row[0] - tank[0]


@numba.njit(cache=True)
def _spread_along_line(claw: FloatArray, leaving: FloatArray, weights: FloatArray, share: float) -> None:
    """Move every stall's line pressure rise towards what its neighbours' air asks for."""
    for i in range(leaving.size):
        target = 0.0
        for j in range(leaving.size):
            target += weights[i, j] * leaving[j]
        claw[i, 3] += min(1.0, share) * (target - claw[i, 3])
