r"""A claw behind a milk plug: gas spring, moving liquid and hold-up, with other constants in every unit.

.. math::
    \dot p = \frac{p_a}{V}\left(q_{in} - q_{out} - \frac{p}{p_a}\dot V_{liner}\right),\quad
    m \dot U = (p - p_s) A - \frac{Z m}{2L} U|U| - M g \frac{H}{L} - \Delta_{slug} A,\quad
    \dot M = \dot m - s M U / L

p claw pressure, U mixture speed, M liquid in the tube, Z friction, H lift, s ratio of liquid to mixture
speed, m liquid and gas in the tube. Integrated by the classic Runge-Kutta scheme.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numba import njit
from numpy.typing import NDArray

from tests.worlds.orifice import free_air_l_s
from tests.worlds.ranges import Ranges, draw

FloatArray = NDArray[np.float64]

MILK_KG_M3: Final = 1030.0
GRAVITY: Final = 9.81
WARM_J_KG: Final = 287.05 * 308.0


@dataclass(frozen=True, slots=True)
class PlugUnit:
    """Constants of one unit."""

    volume_l: float
    bore_mm: float
    length_m: float
    lift_m: float
    friction: float
    """K + f L / D of the whole tube."""
    hold_up: float
    vent_mm2: float


def draw_plug(rng: np.random.Generator, ranges: Ranges, ambient_kpa: float) -> PlugUnit:
    """Draw a unit."""
    bore, length = draw(rng, ranges.bore_mm), draw(rng, ranges.length_m)
    return PlugUnit(
        volume_l=draw(rng, ranges.plug_volume_l),
        bore_mm=bore,
        length_m=length,
        lift_m=draw(rng, ranges.lift_m),
        friction=draw(rng, ranges.loss_k) + draw(rng, ranges.friction) * length / (bore * 1e-3),
        hold_up=draw(rng, ranges.hold_up),
        vent_mm2=draw(rng, ranges.vent_l_min) / 60.0 / free_air_l_s(1.0, 40.0, ambient_kpa),
    )


@njit(cache=True)
def slope(v, u, m, now, unit, ambient):
    """Return the slopes of vacuum [kPa/s], speed [m/s2] and liquid [kg/s]."""
    line, valve, area_mm2, milk_kg_s, stroke_l_s, slug_kpa = now
    volume, bore, length, lift, friction, hold_up = unit
    bore_m2 = math.pi * (bore * 1e-3) ** 2 / 4.0
    p, p_line = ambient - v, ambient - line
    full = MILK_KG_M3 * bore_m2 * length
    gas = (p + p_line) / 2.0 * 1e3 / WARM_J_KG * bore_m2 * length * max(1.0 - m / full, 0.05)
    drain = 0.0
    if valve > 0.02:
        drain = max((p / ambient) * (u * bore_m2 - milk_kg_s / MILK_KG_M3) * 1e3, 0.0)
        z = friction + 6.0 * (1.0 / max(valve, 0.2) ** 2 - 1.0)
        mass = m + gas
        push = (p - p_line - slug_kpa) * 1e3 * bore_m2 - m * GRAVITY * lift / length
        du = push / mass - 0.5 * z / length * u * abs(u)
        dm = milk_kg_s - hold_up * m * max(u, 0.0) / length
    else:
        du, dm = -u / 0.05, -m / 3.0
    if m > 0.9 * full and dm > 0.0:
        dm = 0.0
    dv = -ambient / volume * (free_air_l_s(area_mm2, v, ambient) - drain - (p / ambient) * stroke_l_s)
    return dv, du, dm


@njit(cache=True)
def _step(v, u, m, now, unit, ambient, h):
    """Return the state after one Runge-Kutta step."""
    a1, b1, c1 = slope(v, u, m, now, unit, ambient)
    a2, b2, c2 = slope(v + a1 * h / 2, u + b1 * h / 2, m + c1 * h / 2, now, unit, ambient)
    a3, b3, c3 = slope(v + a2 * h / 2, u + b2 * h / 2, m + c2 * h / 2, now, unit, ambient)
    a4, b4, c4 = slope(v + a3 * h, u + b3 * h, m + c3 * h, now, unit, ambient)
    v += h / 6 * (a1 + 2 * a2 + 2 * a3 + a4)
    u += h / 6 * (b1 + 2 * b2 + 2 * b3 + b4)
    m += h / 6 * (c1 + 2 * c2 + 2 * c3 + c4)
    return max(v, 0.0), max(u, -5.0), max(m, 1e-4)


@njit(cache=True)
def _steps(open_mm2, valve):
    """Return how many steps a sample needs: friction at high speed is stiff."""
    if open_mm2 > 40.0 or 0.0 < valve < 1.0:
        return 25
    return 10 if open_mm2 > 8.0 else 4


@njit(cache=True)
def _run(line, valve, leak, gap, milk, stroke, slug, window, unit, vent, dt, ambient):
    """Integrate; a twin without the gap runs beside it inside of each window."""
    n = line.size
    out, twin_out, air, flowed = np.zeros(n), np.zeros(n), np.zeros(n), np.zeros(n)
    v, u, m = 0.0, 0.0, 1e-3
    tv, tu, tm = v, u, m
    for k in range(n):
        if k == 0 or window[k] != window[k - 1]:
            tv, tu, tm = v, u, m
        if valve[k] <= 0.0 and v < 1e-3:
            v, u, m = 0.0, 0.0, max(m * (1.0 - dt / 3.0), 1e-3)
        else:
            steps = _steps(leak[k] + gap[k], valve[k])
            h = dt / steps
            given = milk[k] * min(math.sqrt(v / 40.0), 1.1)
            calm = milk[k] * min(math.sqrt(tv / 40.0), 1.1)
            now = (line[k], valve[k], vent + leak[k] + gap[k], given / 60.0, stroke[k], slug[k])
            still = (line[k], valve[k], vent + leak[k], calm / 60.0, stroke[k], slug[k])
            for _ in range(steps):
                air[k] += free_air_l_s(gap[k], v, ambient) * h
                v, u, m = _step(v, u, m, now, unit, ambient, h)
                if window[k] > 0:
                    tv, tu, tm = _step(tv, tu, tm, still, unit, ambient, h)
            flowed[k] = given
        out[k] = v
        twin_out[k] = tv if window[k] > 0 else v
    return out, twin_out, air, flowed


def run_plug(unit: PlugUnit, track, dt: float, ambient_kpa: float) -> tuple[FloatArray, ...]:
    """Return vacuum [kPa], that of the twin, air through the gap [free L a sample] and milk [kg/min]."""
    constants = (unit.volume_l, unit.bore_mm, unit.length_m, unit.lift_m, unit.friction, unit.hold_up)
    return _run(
        track.line_kpa, track.valve, track.leak_mm2, track.gap_mm2, track.flow_kg_min, track.stroke_l_s,
        track.slug_kpa, track.window, constants, unit.vent_mm2, dt, ambient_kpa,
    )  # fmt: skip
