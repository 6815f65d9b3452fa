"""One milking unit: claw gas, milk and air in the long milk tube, hold-up of milk in it.

Three states: absolute claw pressure ``p`` [kPa], mixture speed in the tube ``u`` [m/s], milk mass in
the tube ``m`` [kg]::

    dp/dt = pa/V (q_in - (p/pa) (u A - milk/rho) - (p/pa) dV_liner/dt)
    M du/dt = (p - p_line) A - Z/2 (M/L) u|u| - m g H/L        M = m + air mass in the tube
    dm/dt = milk - s m u / L

The claw gas is a spring and the milk plug is the mass: the unit rings at about 3 Hz in low flow and
1 Hz in high flow. A second world without that inertia (:data:`Tube.QUASI_STEADY`) lets the speed
follow the pressure difference at once.

The hold-up factor ``s`` is tuned on one measured point only (high line, 4.29 kg/min: 15 kPa drop,
Ambord & Bruckmaier, J Dairy Sci 93:3588, 2010).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import IntEnum
from typing import Final

import numba
import numpy as np
import numpy.typing as npt

from simulator.air import SEA_LEVEL_KPA, free_air_l_min

MILK_KG_M3: Final = 1030.0
"""Density of milk [kg/m3]."""
GRAVITY: Final = 9.81
"""Acceleration of gravity [m/s2]."""
_TUBE_GAS: Final = 287.05 * 308.0
_SOFT_PA: Final = 150.0  # rounds the square root near zero, where the law would be infinitely stiff

FloatArray = npt.NDArray[np.float64]


class Tube(IntEnum):
    """What moves in the long milk tube."""

    MILK_PLUG = 0
    QUASI_STEADY = 1


@dataclass(frozen=True, slots=True)
class Unit:
    """Dimensions of one milking unit (defaults: typical low-line unit, engineering choice).

    Parameters
    ----------
    bore_mm, length_m
        Long milk tube.
    lift_m
        Height the milk is lifted to the line; negative when it falls (low line).
    loss, friction
        Sum of local loss coefficients and Darcy friction factor [-].
    slip_ratio
        Speed of the milk over the speed of the mixture [-].
    volume_l
        Gas in claw, open liners and short tubes [L].
    """

    bore_mm: float = 16.0
    length_m: float = 2.0
    lift_m: float = -0.8
    loss: float = 6.0
    friction: float = 0.03
    slip_ratio: float = 0.5
    volume_l: float = 0.40

    @property
    def area_m2(self) -> float:
        """Bore area of the tube [m2]."""
        return math.pi * (self.bore_mm * 1e-3) ** 2 / 4.0

    @property
    def resistance(self) -> float:
        """Total loss coefficient of the tube [-]."""
        return self.loss + self.friction * self.length_m / (self.bore_mm * 1e-3)

    def as_row(self) -> FloatArray:
        """Return area, length, lift, resistance, slip ratio and volume as the kernel wants them."""
        return np.array(
            [self.area_m2, self.length_m, self.lift_m, self.resistance, self.slip_ratio, self.volume_l]
        )


LOW_LINE: Final = Unit()
MID_LINE: Final = Unit(lift_m=0.5)
HIGH_LINE: Final = Unit(lift_m=1.8, length_m=3.0)


@numba.njit(cache=True)
def air_out_l_s(p_kpa: float, u_m_s: float, milk_kg_s: float, drive: tuple[float, float]) -> float:
    """Return the free air [L/s] that leaves through the tube; ``drive`` is (tube area m2, outside kPa)."""
    return max(0.0, p_kpa / drive[1] * (u_m_s * drive[0] - milk_kg_s / MILK_KG_M3) * 1e3)


@numba.njit(cache=True)
def tube_mass_kg(p_kpa: float, line_kpa: float, milk_kg: float, unit: FloatArray) -> float:
    """Return the mass of milk and air in the tube [kg]."""
    volume = unit[0] * unit[1]
    air = 0.5 * (p_kpa + line_kpa) * 1e3 / _TUBE_GAS * volume
    return float(milk_kg + air * max(0.0, 1.0 - milk_kg / (MILK_KG_M3 * volume)))


@numba.njit(cache=True)
def quasi_steady_speed(p_kpa: float, line_kpa: float, milk_kg: float, unit: FloatArray) -> float:
    """Return the mixture speed [m/s] of a tube without inertia."""
    area, length, lift, resistance = unit[0], unit[1], unit[2], unit[3]
    density = tube_mass_kg(p_kpa, line_kpa, milk_kg, unit) / (area * length)
    head = (p_kpa - line_kpa) * 1e3 - milk_kg * GRAVITY * lift / (area * length)
    if head <= 0.0:
        return 0.0
    return float(head / math.sqrt(head + _SOFT_PA) * math.sqrt(2.0 / (resistance * density)))


@numba.njit(cache=True)
def derivatives(
    state: tuple[float, float, float], inputs: FloatArray, unit: FloatArray
) -> tuple[float, float, float]:
    """Return the rates of change of (claw pressure [kPa], mixture speed [m/s], milk in the tube [kg]).

    Parameters
    ----------
    state
        The three states; the speed is ignored in the world without inertia.
    inputs
        Discharge area of all holes [mm2], milk [kg/s], liner volume rate [L/s], line pressure [kPa],
        outside pressure [kPa], tube world (:class:`Tube`), constant leak [L/s].
    unit
        :meth:`Unit.as_row`.
    """
    p, u, milk_mass = state
    line, outside = inputs[3], inputs[4]
    if inputs[5] == 1.0:
        u = quasi_steady_speed(p, line, milk_mass, unit)
    air_in = free_air_l_min(inputs[0], p, outside) / 60.0 + inputs[6]
    air_out = air_out_l_s(p, u, inputs[1], (unit[0], outside))
    rise = outside / unit[5] * (air_in - air_out - p / outside * inputs[2])
    speedup = 0.0
    if inputs[5] == 0.0:
        mass = tube_mass_kg(p, line, milk_mass, unit)
        push = (p - line) * 1e3 * unit[0] - milk_mass * GRAVITY * unit[2] / unit[1]
        speedup = (push - 0.5 * unit[3] * mass / unit[1] * u * abs(u)) / mass
    return rise, speedup, inputs[1] - unit[4] * milk_mass * u / unit[1]


@numba.njit(cache=True)
def advance(
    state: tuple[float, float, float], inputs: FloatArray, unit: FloatArray, dt_s: float
) -> tuple[float, float, float]:
    """Return the state one fourth-order Runge-Kutta step of ``dt_s`` [s] later (stable up to 5 ms)."""
    p, u, m = state
    a = derivatives(state, inputs, unit)
    h = 0.5 * dt_s
    b = derivatives((p + h * a[0], u + h * a[1], m + h * a[2]), inputs, unit)
    c = derivatives((p + h * b[0], u + h * b[1], m + h * b[2]), inputs, unit)
    d = derivatives((p + dt_s * c[0], u + dt_s * c[1], m + dt_s * c[2]), inputs, unit)
    w = dt_s / 6.0
    p += w * (a[0] + 2.0 * b[0] + 2.0 * c[0] + d[0])
    u += w * (a[1] + 2.0 * b[1] + 2.0 * c[1] + d[1])
    m += w * (a[2] + 2.0 * b[2] + 2.0 * c[2] + d[2])
    if inputs[5] == 1.0:
        u = quasi_steady_speed(p, inputs[3], m, unit)
    return min(p, inputs[4]), u, max(m, 0.0)


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What one unit alone is connected to.

    Parameters
    ----------
    line_vacuum_kpa
        Vacuum of the milk line [kPa].
    milk_kg_min
        Milk flow into the claw [kg/min].
    vent_mm2
        Discharge area of the vent [mm2].
    leak_l_min
        Free air that enters whatever the vacuum [L/min].
    outside_kpa
        Atmospheric pressure [kPa].
    """

    line_vacuum_kpa: float = 44.0
    milk_kg_min: float = 3.0
    vent_mm2: float = 0.0
    leak_l_min: float = 10.0
    outside_kpa: float = SEA_LEVEL_KPA
    tube: Tube = Tube.MILK_PLUG

    def as_inputs(self, dt_s: float) -> FloatArray:
        """Return the kernel's inputs, the step [s] last."""
        line = self.outside_kpa - self.line_vacuum_kpa
        leak = self.leak_l_min / 60.0
        return np.array(
            [
                self.vent_mm2,
                self.milk_kg_min / 60.0,
                0.0,
                line,
                self.outside_kpa,
                float(self.tube),
                leak,
                dt_s,
            ]
        )
