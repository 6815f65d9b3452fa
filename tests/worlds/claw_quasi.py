r"""A claw without inertia: its gas is fed by openings and drained by a tube that answers at once.

.. math:: \frac{V}{p_a}\frac{dv}{dt} = q_{out} - q_{in}, \quad
          q_{out} = u\,G(\dot m)\,10\,(\Delta/10)^n, \quad G = \frac{G_0}{1 + (\dot m / m_0)^{0.95}}

with :math:`\Delta = v_{line} - a \dot m - v` [kPa], valve opening u, and :math:`q_{in}` through vent, cups
and slipped liner by the orifice law. Exponent, conductance and choke differ from unit to unit. Pulsation is
put on top as a ripple of fixed shape, since nothing here could store it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numba import njit
from numpy.typing import NDArray

from tests.worlds.orifice import free_air_l_s
from tests.worlds.ranges import Ranges, draw

FloatArray = NDArray[np.float64]

WIDE_MM2: Final = 40.0
"""Openings beyond it are stiff and get finer steps."""


@dataclass(frozen=True, slots=True)
class QuasiUnit:
    """Constants of one unit."""

    volume_l: float
    conductance: float
    """Of the empty tube [L/min per kPa at 10 kPa]."""
    choke_kg_min: float
    exponent: float
    drop_kpa_kg_min: float
    vent_mm2: float


def draw_quasi(rng: np.random.Generator, ranges: Ranges, ambient_kpa: float) -> QuasiUnit:
    """Draw a unit; its tube passes the drawn free air at 36 kPa when it is empty."""
    exponent = draw(rng, ranges.tube_exponent)
    return QuasiUnit(
        volume_l=draw(rng, ranges.claw_l),
        conductance=draw(rng, ranges.open_tube_l_min) / (10.0 * 3.6**exponent),
        choke_kg_min=draw(rng, ranges.choke_kg_min),
        exponent=exponent,
        drop_kpa_kg_min=draw(rng, ranges.drop_kpa_kg_min),
        vent_mm2=draw(rng, ranges.claw_vent_l_min) / 60.0 / free_air_l_s(1.0, 40.0, ambient_kpa),
    )


@njit(cache=True)
def _step(v, line, valve, area, milk, unit, dt, ambient):
    """Return the vacuum after one explicit step."""
    volume, conductance, choke, exponent, drop = unit
    delta = line - drop * milk - v
    drain = 0.0
    if valve > 0.0 and delta > 0.0:
        g = conductance / (1.0 + (milk / choke) ** 0.95)
        # linear below 0.3 kPa, where the power law would be infinitely steep
        soft = (delta * delta + 0.09) ** (0.5 * (exponent - 1.0))
        drain = valve * g * 10.0 ** (1.0 - exponent) * delta * soft / 60.0
    return max(v + dt * ambient / volume * (drain - free_air_l_s(area, v, ambient)), 0.0)


@njit(cache=True)
def _run(line, valve, leak, gap, milk, window, unit, vent, dt, ambient):
    """Integrate; a twin without the gap runs beside it inside of each window."""
    n = line.size
    out, twin_out, air, flowed = np.zeros(n), np.zeros(n), np.zeros(n), np.zeros(n)
    v = twin = 0.0
    for k in range(n):
        if k == 0 or window[k] != window[k - 1]:
            twin = v
        if valve[k] <= 0.0 and v < 1e-3:
            v = 0.0
        else:
            steps = 20 if leak[k] + gap[k] > WIDE_MM2 else 5
            given = milk[k] * min(np.sqrt(v / 40.0), 1.1)
            calm = milk[k] * min(np.sqrt(twin / 40.0), 1.1)
            for _ in range(steps):
                air[k] += free_air_l_s(gap[k], v, ambient) * dt / steps
                v = _step(v, line[k], valve[k], vent + leak[k] + gap[k], given, unit, dt / steps, ambient)
                if window[k] > 0:
                    twin = _step(twin, line[k], valve[k], vent + leak[k], calm, unit, dt / steps, ambient)
            flowed[k] = given
        out[k] = v
        twin_out[k] = twin if window[k] > 0 else v
    return out, twin_out, air, flowed


def run_quasi(unit: QuasiUnit, track, dt: float, ambient_kpa: float) -> tuple[FloatArray, ...]:
    """Return vacuum [kPa], that of the twin, air through the gap [free L a sample] and milk [kg/min]."""
    constants = (unit.volume_l, unit.conductance, unit.choke_kg_min, unit.exponent, unit.drop_kpa_kg_min)
    out, twin, air, flowed = _run(
        track.line_kpa, track.valve, track.leak_mm2, track.gap_mm2, track.flow_kg_min, track.window,
        constants, unit.vent_mm2, dt, ambient_kpa,
    )  # fmt: skip
    shown = track.ripple_kpa * np.clip(out / 35.0, 0.0, 1.0)
    return np.maximum(out + shown, 0.0), np.maximum(twin + shown, 0.0), air, flowed
