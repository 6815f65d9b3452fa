"""How much air a unit takes in all the time, from a claw vacuum that is lower than usual."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from detect.claw import ClawModel, steady_vacuum_kpa

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
    target = steady_vacuum_kpa(claw, flow, LINE_KPA) - short_kpa
    low, high = 0.0, MOST_L_MIN - claw.vent_l_min
    for _ in range(12):
        middle = 0.5 * (low + high)
        leaking = steady_vacuum_kpa(replace(claw, vent_l_min=claw.vent_l_min + middle), flow, LINE_KPA)
        low, high = (middle, high) if leaking > target else (low, middle)
    return 0.5 * (low + high)
