"""The air that a claw must have let in, by the equations of `claw_plug` read backwards.

Speed and liquid of the tube follow from vacuum, line and milk alone, so that they are integrated and the air
is what the balance of the claw's gas leaves over. Slugs are not part of it: what they do counts as air, as it
would for any instrument that cannot see them.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from tests.worlds.claw_plug import MILK_KG_M3, PlugUnit, slope

FloatArray = NDArray[np.float64]


@njit(cache=True)
def _invert(vacuum, line, milk, unit, dt, ambient):
    """Return drained air [L/s] at each sample."""
    bore_m2 = math.pi * (unit[1] * 1e-3) ** 2 / 4.0
    drained = np.zeros(vacuum.size)
    u, m = 0.0, 1e-3
    for k in range(vacuum.size):
        now = (line[k], 1.0, 0.0, milk[k] / 60.0, 0.0, 0.0)
        for _ in range(10):
            _, du, dm = slope(vacuum[k], u, m, now, unit, ambient)
            u, m = u + du * dt / 10, max(m + dm * dt / 10, 1e-4)
        drained[k] = max((1.0 - vacuum[k] / ambient) * (u * bore_m2 - milk[k] / 60.0 / MILK_KG_M3) * 1e3, 0.0)
    return drained


def air_l_min(
    unit: PlugUnit,
    series: tuple[FloatArray, FloatArray, FloatArray],
    dt: float,
    ambient_kpa: float,
    *,
    bin_samples: int = 5,
) -> FloatArray:
    """Return air let in [L/min] in bins, vent and pulsation included.

    Parameters
    ----------
    series:
        Vacuum [kPa], line [kPa] and milk [kg/min] while the valve is open.
    """
    vacuum, line, milk = series
    constants = (unit.volume_l, unit.bore_mm, unit.length_m, unit.lift_m, unit.friction, unit.hold_up)
    drained = _invert(vacuum, line, milk, constants, dt, ambient_kpa)
    rise = np.gradient(vacuum) / dt
    air = 60.0 * (drained - unit.volume_l / ambient_kpa * rise)
    usable = air[: air.size // bin_samples * bin_samples]
    return usable.reshape(-1, bin_samples).mean(axis=1)
