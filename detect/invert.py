"""From the fall of a unit's vacuum to the air that made it, in two forms of the milk tube.

``MOVING``: the milk in the long tube has mass; it is integrated (see :mod:`detect.claw`).
``STEADY``: the outflow follows the pressure difference at once, as where the milk runs as a film::

    q_out = Q0 sqrt(1 + fall/drop)

with the quiet unit's mixture flow ``Q0`` and the *measured* drop from claw to plant. Which form is a
stall's own shows after a slip: in the right one the air is gone as soon as the cup has sealed.
Detection listens to both; the litres are those of the form that has proved itself.
"""

from __future__ import annotations

import math
from typing import Any

from detect.claw import MILK_KG_M3, ClawConstants, quiet_tube, tube_step
from detect.machine import compiled
from detect.params import BIN_S
from detect.state import Opening

MOVING, STEADY = 0, 1
DRIEST_KG_MIN = 0.2  # an empty tube has no inertia: the smallest noise would pass for litres
UNMEASURED_KG_MIN = 1.5
FALLEN = 40  # bins (2 s) under half the quiet vacuum: no slip, the unit is off its teats
FOLLOW_S = 1.5
STEPS = 4  # sub-steps of the milk tube in one bin
LEAST_DROP_KPA = 1.0  # a smaller drop is below the sensors' own offsets
NONE, OPEN = int(Opening.NONE), int(Opening.OPEN)


@compiled
def tube_flow_kg_s(s: Any) -> float:
    """Return the milk flow of the tube model: never quite dry, and middling when nobody measures it."""
    if s.opening == OPEN and s.low_run >= FALLEN:  # no milk reaches a claw that lies open
        return DRIEST_KG_MIN / 60.0
    return (max(s.flow_slow, DRIEST_KG_MIN) if s.flow_bin >= 0 else UNMEASURED_KG_MIN) / 60.0


@compiled
def rest_tube(s: Any, quiet_kpa: float, claw: ClawConstants) -> None:
    """Put the milk tube into its quiet state."""
    s.speed, s.liquid, _ = quiet_tube(claw.atmosphere_pa - 1e3 * quiet_kpa, tube_flow_kg_s(s), claw)


@compiled
def admit(
    s: Any, fall_kpa: float, quiet_kpa: float, line_kpa: float, claw: ClawConstants
) -> tuple[float, float]:  # fmt: skip
    """Return the air admitted in this bin [L/min] in both forms, and advance the milk tube.

    ``line_kpa`` is the plant's vacuum, NaN when no sensor tells it.
    """
    flow = tube_flow_kg_s(s)
    quiet_pa = claw.atmosphere_pa - 1e3 * quiet_kpa
    quiet_speed, quiet_liquid, drop = quiet_tube(quiet_pa, flow, claw)
    if s.opening == NONE:  # a drift of the milk flow is no air: the quiet tube follows it
        s.speed += BIN_S / FOLLOW_S * (quiet_speed - s.speed)
        s.liquid += BIN_S / FOLLOW_S * (quiet_liquid - s.liquid)
    speed, liquid, half = s.speed, s.liquid, s.speed
    for k in range(STEPS):
        fall = s.fall + (k + 0.5) / STEPS * (fall_kpa - s.fall)
        speed, liquid = tube_step(
            speed, liquid, drop + 1e3 * fall, quiet_pa + 1e3 * fall, flow, BIN_S / STEPS, claw
        )
        if k == STEPS // 2 - 1:
            half = speed
    s.speed, s.liquid = speed, liquid
    mean_kpa = 0.5 * (s.fall + fall_kpa)
    share = (quiet_pa + 1e3 * mean_kpa) / claw.atmosphere_pa
    storage = claw.volume_m3 / claw.atmosphere_pa * 1e3 * (fall_kpa - s.fall) / BIN_S - claw.vent_m3_s
    s.fall = fall_kpa
    measured = 1e-3 * drop if math.isnan(line_kpa) else line_kpa - quiet_kpa
    steady = quiet_speed * math.sqrt(max(0.0, 1.0 + mean_kpa / max(measured, LEAST_DROP_KPA)))
    milk = flow / MILK_KG_M3
    return (
        float(storage + share * (half * claw.area_m2 - milk)) * 60e3,
        float(storage + share * (steady * claw.area_m2 - milk)) * 60e3,
    )
