"""How hard a slip can drive droplets at the teat end: the estimated reverse pressure gradient.

In milking the inside of the teat stands near atmospheric pressure (milk is let down into it) while
the claw stands at its vacuum: the gradient points outwards. When the flow runs dry the inside falls
to claw vacuum: no gradient. A slip then raises the pressure under the teat while the inside stays
low: the gradient reverses. Dryness is taken to grow linearly from 0 at ``WET_KG_MIN`` to 1 at
``DRY_KG_MIN``; a measured dryness does not exist, so the figure ranks events and is no pressure that
anybody measured. Nothing is assumed about the quarter, the canal or the liner's position.
"""

from __future__ import annotations

from typing import Final

WET_KG_MIN: Final = 1.0
"""Udder flow [kg/min] above which milk fills the teat (engineering choice)."""
DRY_KG_MIN: Final = 0.2
"""Udder flow [kg/min] of a dry udder: the traditional end point of milking is 0.2 kg/min."""


def teat_vacuum_kpa(flow_kg_min: float, quiet_claw_kpa: float) -> float:
    """Return the vacuum inside the teat [kPa] at a milk flow and the claw's quiet vacuum."""
    dryness = (WET_KG_MIN - flow_kg_min) / (WET_KG_MIN - DRY_KG_MIN)
    return min(max(dryness, 0.0), 1.0) * quiet_claw_kpa


def gradient_kpa(flow_kg_min: float, quiet_claw_kpa: float, claw_kpa: float) -> float:
    """Return the pressure under the teat less the pressure inside it [kPa].

    Parameters
    ----------
    flow_kg_min:
        Milk flow at that moment [kg/min].
    quiet_claw_kpa:
        Claw vacuum before the slip [kPa].
    claw_kpa:
        Claw vacuum now [kPa].

    Returns
    -------
    float
        Negative in milking, zero at its end, positive in a slip of a dry teat.
    """
    return teat_vacuum_kpa(flow_kg_min, quiet_claw_kpa) - claw_kpa


def impact_kpa(flow_kg_min: float, quiet_claw_kpa: float, depth_kpa: float) -> float:
    """Return the largest reverse pressure gradient of an event [kPa], never below zero."""
    return max(0.0, gradient_kpa(flow_kg_min, quiet_claw_kpa, quiet_claw_kpa - depth_kpa))
