"""Free air through a small opening into vacuum: the compressible orifice law with choking."""

from __future__ import annotations

import math
from typing import Final

from numba import njit

GAMMA: Final = 1.4
GAS_J_KG_K: Final = 287.05
ROOM_K: Final = 293.15
CRITICAL_RATIO: Final = (2.0 / (GAMMA + 1.0)) ** (GAMMA / (GAMMA - 1.0))
"""Ratio of absolute pressures below which the speed of sound limits the flow."""
TWICE: Final = 2.0 * GAMMA / (GAMMA - 1.0)
LITRES_S_PER_MM2: Final = math.sqrt(GAS_J_KG_K * ROOM_K) * 1e-3
"""sqrt(R T) [m/s] times 1 mm2, as free litres a second."""


@njit(cache=True)
def free_air_l_s(area_mm2: float, vacuum_kpa: float, ambient_kpa: float) -> float:
    """Return the free air [L/s at ambient pressure and 20 degC] that an opening lets in.

    Parameters
    ----------
    area_mm2:
        Effective area, discharge coefficient times geometric area.
    vacuum_kpa:
        Vacuum behind the opening; at or below zero nothing enters.
    ambient_kpa:
        Absolute pressure of the room.
    """
    if area_mm2 <= 0.0 or vacuum_kpa <= 0.0:
        return 0.0
    r = max(1.0 - vacuum_kpa / ambient_kpa, CRITICAL_RATIO)
    a = r ** (2.0 / GAMMA)
    psi_squared = TWICE * (a - a * r ** ((GAMMA - 1.0) / GAMMA))
    return area_mm2 * LITRES_S_PER_MM2 * math.sqrt(max(psi_squared, 0.0))
