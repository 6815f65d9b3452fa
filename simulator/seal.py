"""The seal of one unit: which cup is how near to slipping, and what loosens it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import numpy as np

from simulator.slips import Cause, SlipLaw, draw_cause
from simulator.statics import Carrying, Cluster, holding_force_n, teat_loads_n

_WET_SHARE: Final = 0.97  # holding share of a teat in full flow, the reference for a dry one


@dataclass(frozen=True, slots=True)
class Situation:
    """What holds and loosens the cups of a unit for about one pulsation.

    Parameters
    ----------
    carrying
        How the unit hangs.
    flows_kg_min
        Milk flow of each quarter.
    claw_kpa, plant_kpa
        Vacuum in the claw and of the plant.
    fault_n, cow_n
        Loosening by a bad liner and by a restless cow [N].
    """

    carrying: Carrying
    flows_kg_min: list[float]
    claw_kpa: float
    plant_kpa: float
    fault_n: float = 0.0
    cow_n: float = 0.0


@dataclass(frozen=True, slots=True)
class Slipping:
    """A cup that slips, and why."""

    quarter: int
    cause: Cause


@dataclass(slots=True)
class Seal:
    """Margins and slips of units of one kind.

    Parameters
    ----------
    cluster, law
        Weights and slip law.
    nominal_kpa
        Plant vacuum the parlor is set to.
    """

    cluster: Cluster
    law: SlipLaw
    nominal_kpa: float
    _loads: dict[Carrying, tuple[float, float, float, float]] = field(default_factory=dict)

    def loads_n(self, carrying: Carrying) -> tuple[float, float, float, float]:
        """Return the load on each teat [N]."""
        if carrying not in self._loads:
            self._loads[carrying] = teat_loads_n(self.cluster, carrying)
        return self._loads[carrying]

    def added_n(self, quarter: int, now: Situation) -> dict[Cause, float]:
        """Return what each cause adds to a cup's margin [N], against a wet teat in a carried unit."""
        carried = self.loads_n(Carrying(arm_kg=self.cluster.hose_kg))
        hold = holding_force_n(now.claw_kpa, self.cluster.teat_mm)
        lost = holding_force_n(max(0.0, self.nominal_kpa - now.plant_kpa), self.cluster.teat_mm)
        share = self.law.hold_share(now.flows_kg_min[quarter])
        return {
            Cause.WEIGHT_NOT_CARRIED: self.loads_n(now.carrying)[quarter] - carried[quarter],
            Cause.QUARTER_DRY: max(0.0, _WET_SHARE - share) * hold,
            Cause.LOW_PLANT_VACUUM: share * lost,
            Cause.STALL_FAULT: now.fault_n,
            Cause.COW: now.cow_n,
        }

    def margins_n(self, now: Situation) -> list[float]:
        """Return each cup's slip margin [N]: load less holding force, plus what else loosens it."""
        hold = holding_force_n(now.claw_kpa, self.cluster.teat_mm)
        loads = self.loads_n(now.carrying)
        return [
            loads[i] - self.law.hold_share(now.flows_kg_min[i]) * hold + now.fault_n + now.cow_n
            for i in range(4)
        ]

    def draw(self, now: Situation, rng: np.random.Generator) -> Slipping | None:
        """Draw whether one of the cups slips in this pulsation; a folded cup cannot."""
        pick = float(rng.random())
        for quarter, margin in enumerate(self.margins_n(now)):
            if quarter == now.carrying.folded:
                continue
            chance = self.law.probability(margin)
            if pick < chance:
                return Slipping(quarter, draw_cause(self.added_n(quarter, now), self.law, rng))
            pick -= chance
        return None
