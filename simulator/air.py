"""How much air a hole lets in: atmosphere, compressible orifice, choked flow.

Free air is air at local atmospheric pressure and ambient temperature. Pressures are kPa, vacuum is
kPa below the atmosphere, holes are mm2. The functions are compiled because the claw model calls them
a million times for every minute of a parlor.
"""

from __future__ import annotations

import math
from typing import Final

import numba

GAMMA: Final = 1.4
"""Ratio of specific heats of dry air [-]."""
GAS_CONSTANT: Final = 287.05
"""Specific gas constant of dry air [J/(kg K)]."""
AMBIENT_K: Final = 293.15
"""Parlor air temperature [K], 20 degC; engineering choice."""
SEA_LEVEL_KPA: Final = 101.325
"""Standard atmosphere at sea level [kPa]."""
CRITICAL_RATIO: Final = (2.0 / (GAMMA + 1.0)) ** (GAMMA / (GAMMA - 1.0))
"""Pressure ratio below which a hole is choked [-]."""
PSI_CHOKED: Final = math.sqrt(
    2.0
    * GAMMA
    / (GAMMA - 1.0)
    * (CRITICAL_RATIO ** (2.0 / GAMMA) - CRITICAL_RATIO ** ((GAMMA + 1.0) / GAMMA))
)
"""Flow function at and below the critical ratio [-]."""
GAP_DISCHARGE: Final = 0.8
"""Discharge coefficient of vents and of gaps between teat and liner [-]; engineering choice."""

_SOUND_M_S: Final = math.sqrt(GAS_CONSTANT * AMBIENT_K)
_L_MIN_PER_MM2: Final = _SOUND_M_S * 1e-6 * 1e3 * 60.0


def atmosphere_kpa(altitude_m: float) -> float:
    """Return the standard atmosphere's pressure [kPa] at an altitude [m] (ISA troposphere).

    Parameters
    ----------
    altitude_m
        Height above sea level [m], -500 to 11 000.

    Raises
    ------
    ValueError
        If the altitude lies outside the troposphere.
    """
    if not -500.0 <= altitude_m <= 11_000.0:
        raise ValueError(f"altitude_m {altitude_m} is outside -500..11000 m")
    return float(SEA_LEVEL_KPA * (1.0 - 2.25577e-5 * altitude_m) ** 5.25588)


def hole_area_mm2(diameter_mm: float) -> float:
    """Return the area [mm2] of a round hole of the given diameter [mm]."""
    return math.pi * diameter_mm * diameter_mm / 4.0


@numba.njit(cache=True)
def flow_function(ratio: float) -> float:
    """Return psi(r) [-] of a compressible orifice for the pressure ratio inside / outside.

    psi = sqrt(2 g/(g-1) (r^(2/g) - r^((g+1)/g))), constant below the critical ratio, 0 for r >= 1.
    """
    if ratio >= 1.0:
        return 0.0
    if ratio <= CRITICAL_RATIO:
        return PSI_CHOKED
    root = ratio ** (1.0 / GAMMA)
    return math.sqrt(2.0 * GAMMA / (GAMMA - 1.0) * (root * root - ratio * root))


@numba.njit(cache=True)
def free_air_l_min(discharge_area_mm2: float, inside_kpa: float, outside_kpa: float) -> float:
    """Return the free air [L/min] that enters through a hole.

    Parameters
    ----------
    discharge_area_mm2
        Discharge coefficient times area of the hole [mm2].
    inside_kpa, outside_kpa
        Absolute pressures [kPa]; nothing flows when the inside is at or above the outside.
    """
    return _L_MIN_PER_MM2 * discharge_area_mm2 * flow_function(inside_kpa / outside_kpa)
