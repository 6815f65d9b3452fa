"""One cow's udder at milking: four quarters that let down, flow, fade and run dry on their own.

A quarter gives the least of what its teat canal lets through and what its milk lends it::

    flow = min(plateau * ramp(t), milk at hand / tau) * (vacuum / 42)^0.7

so that its last milk fades exponentially and its yield is exact. Part of the milk is at hand at once
(cistern); the rest comes with let-down, which in a bimodal milking is late.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

QUARTERS: Final = ("lf", "rf", "lr", "rr")
"""Order of the quarters everywhere in the simulator: left front, right front, left rear, right rear."""
VACUUM_POWER: Final = 0.7
"""Exponent of the flow on the claw vacuum; science gives 0.5 to 1, engineering choice."""
_RAMP_S: Final = 12.0
_RELEASE_S: Final = 15.0
_CISTERN: Final = 0.2


@dataclass(frozen=True, slots=True)
class Quarter:
    """What one quarter brings to one milking.

    Parameters
    ----------
    yield_kg
        Milk it will give [kg].
    plateau_kg_min
        Largest flow at 42 kPa [kg/min].
    fade_s
        Time constant of its decline [s].
    """

    yield_kg: float
    plateau_kg_min: float
    fade_s: float


class Udder:
    """The udder of one milking, advanced in steps of about a second.

    Parameters
    ----------
    quarters
        The four quarters in the order of :data:`QUARTERS`.
    let_down_s
        When the milk beyond the cistern begins to come [s after the cups are on].
    """

    __slots__ = ("_let_down_s", "flow_kg_min", "milked_kg", "quarters", "time_s")

    def __init__(self, quarters: tuple[Quarter, Quarter, Quarter, Quarter], let_down_s: float) -> None:
        self.quarters = quarters
        self._let_down_s = let_down_s
        self.time_s = 0.0
        self.milked_kg = [0.0, 0.0, 0.0, 0.0]
        self.flow_kg_min = [0.0, 0.0, 0.0, 0.0]

    @property
    def total_flow_kg_min(self) -> float:
        """Flow of the four quarters together [kg/min]."""
        return sum(self.flow_kg_min)

    @property
    def left_kg(self) -> float:
        """Milk still to come [kg]."""
        return sum(q.yield_kg for q in self.quarters) - sum(self.milked_kg)

    def step(self, dt_s: float, vacuum_kpa: float, closed: int | None = None) -> float:
        """Milk for ``dt_s`` [s] at a claw vacuum [kPa] and return the total flow [kg/min].

        Parameters
        ----------
        dt_s
            Step [s], up to a few seconds.
        vacuum_kpa
            Mean claw vacuum over the step [kPa].
        closed
            Index of a quarter whose cup is off, or None.
        """
        self.time_s += dt_s
        pull = (max(vacuum_kpa, 0.0) / 42.0) ** VACUUM_POWER
        ramp = 1.0 - math.exp(-self.time_s / _RAMP_S)
        since = self.time_s - self._let_down_s
        released = _CISTERN + (1.0 - _CISTERN) * (1.0 - math.exp(-since / _RELEASE_S) if since > 0.0 else 0.0)
        for i, quarter in enumerate(self.quarters):
            at_hand = max(0.0, quarter.yield_kg * released - self.milked_kg[i])
            flow = min(quarter.plateau_kg_min * ramp, at_hand / quarter.fade_s * 60.0) * pull
            flow = 0.0 if i == closed else min(flow, at_hand / dt_s * 60.0)
            self.flow_kg_min[i] = flow
            self.milked_kg[i] += flow * dt_s / 60.0
        return self.total_flow_kg_min

    def stop(self) -> None:
        """Let no milk flow: the cups are off."""
        self.flow_kg_min = [0.0, 0.0, 0.0, 0.0]
