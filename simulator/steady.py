"""Where one milking unit comes to rest: the claw vacuum of a steady flow.

At rest the milk in the tube is ``milk L / (s u)`` and the air that enters leaves through the tube;
what remains is one equation in the claw pressure, solved by bisection.
"""

from __future__ import annotations

from simulator.air import free_air_l_min
from simulator.claw import GRAVITY, MILK_KG_M3, Surroundings, Unit, tube_mass_kg


def steady_state(unit: Unit, around: Surroundings, gap_mm2: float = 0.0) -> tuple[float, float, float]:
    """Return (absolute claw pressure [kPa], mixture speed [m/s], milk in the tube [kg]) at rest.

    Parameters
    ----------
    unit, around
        The unit and what it hangs on.
    gap_mm2
        Discharge area that stands open besides the vent [mm2].
    """
    low = 0.02 * around.outside_kpa
    high = around.outside_kpa
    for _ in range(200):
        middle = 0.5 * (low + high)
        if _excess_kpa(middle, unit, around, gap_mm2) > 0.0:
            high = middle
        else:
            low = middle
    p = 0.5 * (low + high)
    speed = _speed_m_s(p, unit, around, gap_mm2)
    return p, speed, around.milk_kg_min / 60.0 * unit.length_m / (unit.slip_ratio * speed)


def steady_vacuum_kpa(unit: Unit, around: Surroundings, gap_mm2: float = 0.0) -> float:
    """Return the claw vacuum [kPa] at rest."""
    return around.outside_kpa - steady_state(unit, around, gap_mm2)[0]


def _speed_m_s(p_kpa: float, unit: Unit, around: Surroundings, gap_mm2: float) -> float:
    """Return the mixture speed [m/s] that carries off all milk and air which enter at ``p_kpa``."""
    holes = around.vent_mm2 + gap_mm2
    air_l_s = (free_air_l_min(holes, p_kpa, around.outside_kpa) + around.leak_l_min) / 60.0
    volume_m3_s = air_l_s * 1e-3 * around.outside_kpa / p_kpa + around.milk_kg_min / 60.0 / MILK_KG_M3
    return max(volume_m3_s / unit.area_m2, 1e-6)


def _excess_kpa(p_kpa: float, unit: Unit, around: Surroundings, gap_mm2: float) -> float:
    """Return how far ``p_kpa`` lies above what the tube needs to carry the flow off [kPa]."""
    line = around.outside_kpa - around.line_vacuum_kpa
    speed = _speed_m_s(p_kpa, unit, around, gap_mm2)
    milk = around.milk_kg_min / 60.0 * unit.length_m / (unit.slip_ratio * speed)
    mass = tube_mass_kg(p_kpa, line, milk, unit.as_row())
    friction = 0.5 * unit.resistance * mass / unit.length_m * speed * speed
    lift = milk * GRAVITY * unit.lift_m / unit.length_m
    return p_kpa - line - (friction + lift) / unit.area_m2 * 1e-3
