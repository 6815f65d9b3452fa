"""The milk tubes of all stalls at once: from the fall of the claws' vacuum to litres of admitted air.

The claw model costs more than all else of a bin, and a tube's steps wait for each other. Stalls do not:
side by side, one column a stall, the processor works several of them in one go, to the same bits.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from detect.claw import MILK_KG_M3, ClawConstants, quiet_tube, tube_step
from detect.machine import compiled, compiled_allocating
from detect.opening import DRIEST_KG_MIN, FALLEN
from detect.params import BIN_S
from detect.state import Opening

NONE, OPEN = int(Opening.NONE), int(Opening.OPEN)
UNMEASURED_KG_MIN = 1.5
FOLLOW_S = 1.5
MILK_POWER, MOST_MILK = 0.6, 1.1  # less claw vacuum draws less milk; 0.5: an orifice (engineering choice)
STEPS = 4  # sub-steps of the milk tube in one bin


class Tubes(NamedTuple):
    """What a bin does to each stall's milk tube; all of shape (stalls,).

    Attributes
    ----------
    speed, liquid:
        Mixture speed [m/s] and milk in the tube [kg].
    fall, next_fall:
        Fall of the claw's vacuum below the quiet one, at both ends of the bin [kPa].
    quiet:
        Quiet claw vacuum [kPa].
    flow, drawn:
        Milk flow of the quiet unit, and what this bin's vacuum draws [kg/s].
    follow:
        Share by which the tube is led to its quiet state.
    air:
        Admitted air [L/min].
    """

    speed: np.ndarray
    liquid: np.ndarray
    fall: np.ndarray
    next_fall: np.ndarray
    quiet: np.ndarray
    flow: np.ndarray
    drawn: np.ndarray
    follow: np.ndarray
    air: np.ndarray


@compiled_allocating
def new_tubes(stalls: int) -> Tubes:
    """Return room for the tubes of so many stalls."""
    c = np.empty((9, stalls))
    return Tubes(c[0], c[1], c[2], c[3], c[4], c[5], c[6], c[7], c[8])


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
def lay_tube(tubes: Tubes, i: int, s: Any, here_kpa: tuple[float, float]) -> None:
    """Lay a stall's milk tube beside the others; ``here_kpa``: fall at the end of the bin, quiet vacuum."""
    fall_kpa, quiet_kpa = here_kpa
    flow = tube_flow_kg_s(s)
    pull = max(quiet_kpa - 0.5 * (s.fall + fall_kpa), 0.0) / max(quiet_kpa, 1.0)
    tubes.speed[i], tubes.liquid[i] = s.speed, s.liquid
    tubes.fall[i], tubes.next_fall[i], tubes.quiet[i] = s.fall, fall_kpa, quiet_kpa
    tubes.flow[i], tubes.drawn[i] = flow, flow * min(pull**MILK_POWER, MOST_MILK)
    # A drift of the milk flow is no air: between events the quiet tube follows it.
    tubes.follow[i] = BIN_S / FOLLOW_S if s.opening == NONE else 0.0


@compiled
def admit(tubes: Tubes, count: int, claw: ClawConstants) -> None:
    """Find the air [L/min] that the first ``count`` stalls admitted in this bin, and advance their tubes."""
    for i in range(count):
        fall, further, flow = tubes.fall[i], tubes.next_fall[i] - tubes.fall[i], tubes.drawn[i]
        quiet_pa = claw.atmosphere_pa - 1e3 * tubes.quiet[i]
        quiet_speed, quiet_liquid, drop = quiet_tube(quiet_pa, tubes.flow[i], claw)
        speed = tubes.speed[i] + tubes.follow[i] * (quiet_speed - tubes.speed[i])
        liquid = tubes.liquid[i] + tubes.follow[i] * (quiet_liquid - tubes.liquid[i])
        half = speed
        for k in range(STEPS):
            here_pa = 1e3 * (fall + (k + 0.5) / STEPS * further)
            speed, liquid = tube_step(
                speed, liquid, drop + here_pa, quiet_pa + here_pa, flow, BIN_S / STEPS, claw
            )
            if k == STEPS // 2 - 1:
                half = speed
        middle_pa = quiet_pa + 500.0 * (fall + tubes.next_fall[i])
        outflow = middle_pa / claw.atmosphere_pa * (half * claw.area_m2 - flow / MILK_KG_M3)
        storage = claw.volume_m3 / claw.atmosphere_pa * 1e3 * further / BIN_S
        tubes.air[i] = (storage + outflow - claw.vent_m3_s) * 60e3
        tubes.speed[i], tubes.liquid[i] = speed, liquid


@compiled
def lift_tube(tubes: Tubes, i: int, s: Any) -> float:
    """Give a stall its milk tube back and return the air admitted in this bin [L/min]."""
    if s.ready == 0:
        return 0.0
    s.speed, s.liquid, s.fall = tubes.speed[i], tubes.liquid[i], tubes.next_fall[i]
    return float(tubes.air[i])
