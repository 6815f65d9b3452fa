"""The milking unit as a gas spring with a milk plug: claw vacuum <-> admitted air.

States of one unit: absolute claw pressure ``p_c``, mixture speed ``U`` in the long milk tube and the
liquid mass ``M`` in it. With bore area ``A``, length ``L``, loss ``Z = K + f L/D``, lift ``H``,
gas volume ``V`` of claw and open liners, milk flow ``mdot`` and line pressure ``p_s``::

    dp_c/dt  = (p_a/V) (q_vent + q_air - q_out),    q_out = (p_c/p_a)(U A - mdot/rho)
    m dU/dt  = (p_c - p_s) A - Z/2 (m/L) U|U| - M g H/L
    dM/dt    = mdot - s M U/L

The second and third equation depend on *measured* quantities only, so admitted air follows without
an optimiser: integrate them along the measured vacuum and solve the first for ``q_air``. A
quasi-steady inversion, which leaves the inertia of the milk out, is wrong by a factor of 2 to 4.

The streaming detector drives the same two equations with the *fall below the running baseline*
instead of the absolute difference: in a quiet unit the tube is taken to carry just the vent's air
and the milk, so a sensor offset, the altitude or the lift cancel out.

Range of validity: low to high lines, 0.05-6 kg/min, openings to about 14 mm equivalent bore; the
hold-up ratio ``s`` rests on one published drop (Ambord & Bruckmaier 2010, 15 kPa at 4.29 kg/min on
a high line) and is a calibration constant.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from detect.errors import ParameterError
from detect.machine import compiled, compiled_allocating
from detect.units import SEA_LEVEL_KPA

MILK_KG_M3: Final = 1030.0
"""Density of whole milk [kg/m^3] (handbook value, from memory)."""
TUBE_AIR_M2_S2: Final = 287.05 * 308.0
"""R T of the air in the milk tube at 35 degrees Celsius [m^2/s^2]."""
GRAVITY_M_S2: Final = 9.81


@dataclass(frozen=True, slots=True)
class ClawModel:
    """Geometry and constants of one milking unit; the defaults are an ordinary low-line unit.

    Attributes
    ----------
    bore_mm, length_m:
        Long milk tube (engineering choice: 16 mm, 2 m).
    inlet_loss, friction:
        Local loss coefficient K and Darcy friction factor f (engineering choice).
    volume_l:
        Gas volume of claw and open liners [L]; claws 0.15-0.5 L (from memory).
    vent_l_min:
        Free air through vent and normal leaks [L/min]; total admission 4-12 L/min
        (ISO 5707, value from memory: verify against your copy of the standard).
    liquid_speed_ratio:
        Liquid over mixture speed in the tube (hold-up), fitted to one published drop.
    lift_m:
        Height from claw to milk line [m]; negative when the line lies below.
    atmosphere_kpa:
        Local atmospheric pressure [kPa absolute].
    """

    bore_mm: float = 16.0
    length_m: float = 2.0
    inlet_loss: float = 6.0
    friction: float = 0.03
    volume_l: float = 0.40
    vent_l_min: float = 10.0
    liquid_speed_ratio: float = 0.5
    lift_m: float = -0.8
    atmosphere_kpa: float = SEA_LEVEL_KPA

    def __post_init__(self) -> None:
        """Refuse a geometry that no milking unit has."""
        limits = {
            "bore_mm": (8.0, 30.0),
            "length_m": (0.3, 10.0),
            "volume_l": (0.05, 2.0),
            "vent_l_min": (0.5, 60.0),
            "liquid_speed_ratio": (0.1, 1.0),
            "lift_m": (-3.0, 4.0),
            "atmosphere_kpa": (60.0, 110.0),
        }
        for name, (low, high) in limits.items():
            value = getattr(self, name)
            if not low <= value <= high:
                raise ParameterError(f"{value} is outside {low}..{high}", where=f"claw.{name}")

    def constants(self) -> ClawConstants:
        """Return the same unit in SI for the compiled functions."""
        area_m2 = math.pi * (self.bore_mm * 1e-3) ** 2 / 4.0
        return ClawConstants(
            area_m2=area_m2,
            length_m=self.length_m,
            loss=self.inlet_loss + self.friction * self.length_m / (self.bore_mm * 1e-3),
            volume_m3=self.volume_l * 1e-3,
            vent_m3_s=self.vent_l_min / 60e3,
            speed_ratio=self.liquid_speed_ratio,
            lift_m=self.lift_m,
            atmosphere_pa=self.atmosphere_kpa * 1e3,
        )


class ClawConstants(NamedTuple):
    """The unit in SI, as the compiled functions take it."""

    area_m2: float
    length_m: float
    loss: float
    volume_m3: float
    vent_m3_s: float
    speed_ratio: float
    lift_m: float
    atmosphere_pa: float


@compiled
def with_vent(claw: ClawConstants, vent_m3_s: float) -> ClawConstants:
    """Return the same unit with another vent."""
    size = claw.area_m2, claw.length_m, claw.loss, claw.volume_m3
    return ClawConstants(*size, vent_m3_s, claw.speed_ratio, claw.lift_m, claw.atmosphere_pa)


@compiled
def tube_mass_kg(liquid_kg: float, pressure_pa: float, claw: ClawConstants) -> float:
    """Return the mass of milk and air in the tube [kg] at a mean absolute pressure [Pa]."""
    tube_m3 = claw.area_m2 * claw.length_m
    return liquid_kg + pressure_pa / TUBE_AIR_M2_S2 * tube_m3 * (1.0 - liquid_kg / (MILK_KG_M3 * tube_m3))


@compiled
def quiet_tube(claw_pa: float, flow_kg_s: float, claw: ClawConstants) -> tuple[float, float, float]:
    """Return speed [m/s], liquid [kg] and needed pressure difference [Pa] of a quiet unit.

    Quiet means that the tube carries just the vent's air and the milk.
    """
    speed = (claw.vent_m3_s * claw.atmosphere_pa / claw_pa + flow_kg_s / MILK_KG_M3) / claw.area_m2
    tube_kg = MILK_KG_M3 * claw.area_m2 * claw.length_m
    liquid = min(flow_kg_s * claw.length_m / (claw.speed_ratio * speed), 0.9 * tube_kg)
    mass = tube_mass_kg(liquid, claw_pa, claw)
    drop = (
        0.5 * claw.loss * mass / claw.length_m * speed * speed
        + liquid * GRAVITY_M_S2 * claw.lift_m / claw.length_m
    ) / claw.area_m2
    return speed, liquid, drop


@compiled
def tube_step(
    speed: float,
    liquid: float,
    drive_pa: float,
    claw_pa: float,
    flow_kg_s: float,
    dt_s: float,
    claw: ClawConstants,
) -> tuple[float, float]:
    """Advance mixture speed [m/s] and liquid [kg] by ``dt_s`` under a pressure difference [Pa].

    Friction is taken implicitly (linearised about the old speed), so the step is stable at any length.
    """
    mass = tube_mass_kg(liquid, claw_pa - 0.5 * drive_pa, claw)
    push = drive_pa * claw.area_m2 - liquid * GRAVITY_M_S2 * claw.lift_m / claw.length_m
    drag = 0.5 * claw.loss * mass / claw.length_m * abs(speed)
    speed = (mass * speed + dt_s * (push + drag * speed)) / (mass + 2.0 * dt_s * drag)
    tube_kg = MILK_KG_M3 * claw.area_m2 * claw.length_m
    liquid = (liquid + dt_s * flow_kg_s) / (1.0 + dt_s * claw.speed_ratio * max(speed, 0.0) / claw.length_m)
    return speed, min(liquid, 0.9 * tube_kg)


def steady_vacuum_kpa(claw: ClawModel, flow_kg_min: float, line_vacuum_kpa: float) -> float:
    """Return the claw vacuum [kPa] at which a quiet unit settles.

    Parameters
    ----------
    claw:
        The unit.
    flow_kg_min:
        Milk flow [kg/min].
    line_vacuum_kpa:
        Vacuum in the milk line [kPa].
    """
    constants = claw.constants()
    line_pa = (claw.atmosphere_kpa - line_vacuum_kpa) * 1e3
    return claw.atmosphere_kpa - 1e-3 * float(steady_pa(line_pa, flow_kg_min / 60.0, constants))


@compiled
def steady_pa(line_pa: float, flow_kg_s: float, claw: ClawConstants) -> float:
    """Return the claw pressure [Pa] at which the tube carries off what comes, by bisection."""
    low, high = line_pa - 5e3, claw.atmosphere_pa
    for _ in range(60):
        middle = 0.5 * (low + high)
        if _steady_drop(middle, line_pa, flow_kg_s, claw) > middle - line_pa:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


@compiled
def _steady_drop(claw_pa: float, line_pa: float, flow_kg_s: float, claw: ClawConstants) -> float:
    """Return the drop [Pa] of the quiet tube, the air's density at the mean of claw and line pressure."""
    speed, liquid, _ = quiet_tube(claw_pa, flow_kg_s, claw)
    mass = tube_mass_kg(liquid, 0.5 * (claw_pa + line_pa), claw)
    friction = 0.5 * claw.loss * mass / claw.length_m * speed * speed
    weight = liquid * GRAVITY_M_S2 * claw.lift_m / claw.length_m
    return float((friction + weight) / claw.area_m2)


@compiled_allocating
def _invert(
    claw_kpa: NDArray[np.float64],
    line_kpa: NDArray[np.float64],
    flow_kg_min: NDArray[np.float64],
    dt_s: float,
    steps: int,
    claw: ClawConstants,
) -> NDArray[np.float64]:
    n = claw_kpa.shape[0]
    air = np.zeros(n)
    here = claw.atmosphere_pa - 1e3 * claw_kpa[0]
    speed, liquid, _ = quiet_tube(here, flow_kg_min[0] / 60.0, claw)
    fine = dt_s / steps
    for i in range(1, n):
        before = here
        here = claw.atmosphere_pa - 1e3 * claw_kpa[i]
        flow = flow_kg_min[i] / 60.0
        middle_speed = speed
        for k in range(steps):
            share = (k + 0.5) / steps
            pressure = before + share * (here - before)
            line = claw.atmosphere_pa - 1e3 * (line_kpa[i - 1] + share * (line_kpa[i] - line_kpa[i - 1]))
            speed, liquid = tube_step(speed, liquid, pressure - line, pressure, flow, fine, claw)
            if k == steps // 2 - 1:
                middle_speed = speed
        middle = 0.5 * (before + here)
        outflow = middle / claw.atmosphere_pa * (middle_speed * claw.area_m2 - flow / MILK_KG_M3)
        storage = claw.volume_m3 / claw.atmosphere_pa * (here - before) / dt_s
        air[i] = (storage + outflow - claw.vent_m3_s) * 60e3
    return air


def admitted_air_l_min(
    claw: ClawModel,
    claw_kpa: NDArray[np.float64],
    line_kpa: NDArray[np.float64],
    *,
    flow_kg_min: NDArray[np.float64],
    rate_hz: float,
) -> NDArray[np.float64]:
    """Return the free air admitted beyond the vent, by the dynamic left inverse.

    Parameters
    ----------
    claw:
        The unit.
    claw_kpa, line_kpa, flow_kg_min:
        Measured claw vacuum [kPa], milk line vacuum [kPa] and milk flow [kg/min], each shape (n,).
        Hold the flow through an event: a meter is blinded by air.
    rate_hz:
        Sampling rate [Hz]; 10 Hz is the floor, 20 Hz is comfortable.

    Returns
    -------
    ndarray of shape (n,)
        Free air [L/min] over the interval that ends at each sample; the first is 0.
    """
    steps = max(2, 2 * math.ceil(100.0 / rate_hz))
    return _invert(claw_kpa, line_kpa, flow_kg_min, 1.0 / rate_hz, steps, claw.constants())
