"""Compressible flow of air into a milking unit under vacuum.

Air enters through a vent, a lip or a hole from the atmosphere at absolute pressure ``p_a`` into
the claw at ``p_c``. With the pressure ratio ``r = p_c / p_a`` and the heat capacity ratio of air::

    psi(r) = sqrt(2 k/(k-1) (r**(2/k) - r**((k+1)/k))),   r >= r* = (2/(k+1))**(k/(k-1))

and below ``r*`` the flow is choked: ``psi`` stays at ``psi(r*)``. Free air, in litres at
atmospheric pressure and ambient temperature, follows as ``Q = Cd A psi(r) sqrt(R T)``.

References
----------
.. [1] Saint-Venant and Wantzel nozzle equation as in any gas dynamics text, e.g. White, F. M.,
   Fluid Mechanics, chapter on compressible flow (edition from memory).
"""

from __future__ import annotations

import math
from typing import Final

from detect.units import SEA_LEVEL_KPA

HEAT_CAPACITY_RATIO: Final = 1.4
"""Ratio of the specific heats of air."""
GAS_CONSTANT_J_KG_K: Final = 287.05
"""Specific gas constant of dry air [J/(kg K)] (ISO 2533:1975: 287.05287)."""
AMBIENT_K: Final = 293.15
"""Ambient temperature of the free air [K], 20 degrees Celsius."""
CRITICAL_RATIO: Final = (2.0 / (HEAT_CAPACITY_RATIO + 1.0)) ** (
    HEAT_CAPACITY_RATIO / (HEAT_CAPACITY_RATIO - 1.0)
)
"""Pressure ratio at and below which the flow is choked."""


def flow_function(pressure_ratio: float) -> float:
    """Return psi(r), the dimensionless mass flow of an orifice.

    Parameters
    ----------
    pressure_ratio:
        Downstream over upstream absolute pressure, 0..1.

    Returns
    -------
    float
        0 at no pressure difference, 0.68473 when choked.
    """
    k = HEAT_CAPACITY_RATIO
    r = min(max(pressure_ratio, CRITICAL_RATIO), 1.0)
    return float(math.sqrt(max(0.0, 2.0 * k / (k - 1.0) * (r ** (2.0 / k) - r ** ((k + 1.0) / k)))))


CHOKED_FLOW: Final = flow_function(CRITICAL_RATIO)
"""The value of :func:`flow_function` at and below the critical ratio."""
CHOKED_L_MIN_PER_MM2: Final = CHOKED_FLOW * math.sqrt(GAS_CONSTANT_J_KG_K * AMBIENT_K) * 0.06
"""Free air through one square millimetre of perfect hole when choked [L/min]."""


def critical_vacuum_kpa(atmosphere_kpa: float = SEA_LEVEL_KPA) -> float:
    """Return the vacuum [kPa] at which an opening to the atmosphere chokes."""
    return atmosphere_kpa * (1.0 - CRITICAL_RATIO)


def free_air_l_min(
    area_mm2: float, vacuum_kpa: float, *, discharge: float = 0.8, atmosphere_kpa: float = SEA_LEVEL_KPA
) -> float:
    """Return the free air that an opening admits from the atmosphere into a vacuum.

    Parameters
    ----------
    area_mm2:
        Open area [mm^2].
    vacuum_kpa:
        Vacuum behind the opening [kPa below atmosphere]; none or a pressure admits nothing.
    discharge:
        Discharge coefficient: sharp holes 0.6-0.65, rounded vents 0.8-0.95 (from memory).
    atmosphere_kpa:
        Local atmospheric pressure [kPa absolute].

    Returns
    -------
    float
        Litres of free air a minute.
    """
    ratio = (atmosphere_kpa - max(vacuum_kpa, 0.0)) / atmosphere_kpa
    return discharge * area_mm2 * CHOKED_L_MIN_PER_MM2 * flow_function(ratio) / CHOKED_FLOW


def opening_mm2(
    air_l_min: float, vacuum_kpa: float, *, discharge: float = 0.8, atmosphere_kpa: float = SEA_LEVEL_KPA
) -> float:
    """Return the open area [mm^2] that admits some free air [L/min], inverting :func:`free_air_l_min`."""
    per_mm2 = free_air_l_min(1.0, vacuum_kpa, discharge=discharge, atmosphere_kpa=atmosphere_kpa)
    return air_l_min / per_mm2 if per_mm2 > 0.0 else math.inf


def decay_s(volume_l: float, from_kpa: float, to_kpa: float, *, inflow_l_min: float) -> float:
    """Return the time in which a constant inflow of free air empties a closed volume of its vacuum.

    ``t = V (v1 - v2) / (p_a q)``: the free air needed is the volume times the pressure rise in
    atmospheres, isothermal, at sea level.

    Parameters
    ----------
    volume_l:
        Closed gas volume [L].
    from_kpa, to_kpa:
        Vacuum at the start and at the end [kPa].
    inflow_l_min:
        Free air [L/min].
    """
    return volume_l * (from_kpa - to_kpa) / SEA_LEVEL_KPA / (inflow_l_min / 60.0)
