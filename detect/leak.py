"""How much air a unit takes in all the time, from a claw vacuum that is lower than usual."""

from __future__ import annotations

from typing import Final

from detect.claw import ClawConstants, ClawModel, steady_pa, steady_vacuum_kpa, with_vent
from detect.machine import compiled

LINE_KPA: Final = 44.0
"""Vacuum of the milk line that the estimate assumes [kPa]: only differences count."""
MOST_L_MIN: Final = 60.0
"""Most free air of vent and leak together that the claw model takes [L/min]."""


def extra_air_l_min(claw: ClawModel, flow_kg_min: float, short_kpa: float) -> float:
    """Return the steady leak [L/min free air] behind a claw vacuum that is lower than usual.

    The steady state of the claw model with more air than the vent's is sought by bisection, at a milk
    line of 44 kPa.

    Parameters
    ----------
    claw:
        The unit.
    flow_kg_min:
        Milk flow [kg/min].
    short_kpa:
        How far the claw vacuum is under the usual one [kPa]; none or less is no leak.

    Returns
    -------
    float
        From 0 to what the model takes, at most 60 L/min less the vent's.
    """
    if short_kpa <= 0.0:
        return 0.0
    flow = max(flow_kg_min, 0.05)
    line_pa = (claw.atmosphere_kpa - LINE_KPA) * 1e3
    here_kpa = steady_vacuum_kpa(claw, flow, LINE_KPA) - short_kpa
    found = _extra_m3_s(line_pa, (claw.atmosphere_kpa - here_kpa) * 1e3, flow / 60.0, claw.constants())
    return float(found * 60e3)


@compiled
def _extra_m3_s(line_pa: float, claw_pa: float, flow_kg_s: float, claw: ClawConstants) -> float:
    """Return the leak [m3/s free air] that brings the claw to a pressure, by bisection."""
    low, high = 0.0, MOST_L_MIN / 60e3 - claw.vent_m3_s
    for _ in range(12):
        middle = 0.5 * (low + high)
        if steady_pa(line_pa, flow_kg_s, with_vent(claw, claw.vent_m3_s + middle)) < claw_pa:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)
