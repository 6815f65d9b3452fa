"""Lapses of support: whether, when and how long a unit is not carried by its arm."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from simulator.arm import SupportState
from simulator.scenario import Routine


@dataclass(frozen=True, slots=True)
class Lapse:
    """One lapse of support in one milking.

    Parameters
    ----------
    state
        Slack or dragged.
    share
        What the arm still carries of the hose, 0 to 1.
    from_s, to_s
        Half-open span [s]; ``to_s`` is infinite when nobody mends it.
    """

    state: SupportState
    share: float
    from_s: float
    to_s: float

    def stands_at(self, at_s: float) -> bool:
        """Tell whether the unit is not carried at an instant [s]."""
        return self.from_s <= at_s < self.to_s


def draw_lapse(
    routine: Routine, arm_share: float | None, attach_s: float, rng: np.random.Generator
) -> Lapse | None:
    """Draw the lapse of one milking: an arm out of set, a forgotten hook, a caught hose, or none.

    Parameters
    ----------
    routine
        How often it happens.
    arm_share
        What an arm out of set carries of the hose (0 to 1), None for a sound arm.
    attach_s
        When the unit is attached [s].
    rng
        Draws it.
    """
    if arm_share is not None:
        return Lapse(SupportState.SLACK, arm_share, attach_s, math.inf)
    if rng.random() >= routine.unsupported_share:
        return None
    if rng.random() < routine.caught_share:
        start = attach_s + float(rng.uniform(20.0, 180.0))
        mended = start + float(rng.exponential(90.0)) if rng.random() < 0.3 else math.inf
        return Lapse(SupportState.DRAG, float(rng.uniform(0.3, 0.7)), start, mended)
    start = attach_s + (float(rng.uniform(30.0, 200.0)) if rng.random() < 0.25 else 0.0)
    mended = start + 20.0 + float(rng.exponential(80.0)) if rng.random() < 0.35 else math.inf
    return Lapse(SupportState.SLACK, float(rng.uniform(0.0, 0.25)), start, mended)
