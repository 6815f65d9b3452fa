"""When a cup slips and how much it lets in.

Once a pulsation each cup slips with a probability that is logistic in its slip margin: the load on
the teat less the force that holds it. Whatever loosens a cup (weight not carried, a dry teat, low
plant vacuum, a bad liner, a restless cow) is counted in newtons of margin, so causes compete and the
true cause of a slip is known as the share of the odds each one added.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np

from simulator.air import GAP_DISCHARGE, hole_area_mm2


class Cause(StrEnum):
    """Why air came in, in the words of the truth tables."""

    WEIGHT_NOT_CARRIED = "weight_not_carried"
    QUARTER_DRY = "quarter_dry"
    LOW_PLANT_VACUUM = "low_plant_vacuum"
    STALL_FAULT = "stall_fault"
    COW = "cow"
    UNKNOWN = "unknown"


class EventKind(StrEnum):
    """What let the air in, in the words of the truth tables."""

    LINER_SLIP = "liner_slip"
    FALL_OFF = "fall_off"
    VACUUM_REMOVAL = "vacuum_removal"


@dataclass(frozen=True, slots=True)
class SlipLaw:
    """The slip law and the sizes of gaps (no measured litres of single slips exist: engineering choices).

    Parameters
    ----------
    base, per_newton
        Logistic of the margin: log odds at margin 0, and their rise per newton.
    dry_hold
        Share of the holding force that is left on a teat without milk.
    wet_kg_min
        Quarter flow at which half of the rest is there [kg/min].
    gap_mm, gap_spread
        Median diameter of a gap and its log scatter; cut to 1.2 to 5.8 mm (10 to 250 L/min).
    open_s, open_spread
        Median time a gap stands open and its log scatter; cut to 0.08 to 3 s.
    train_share
        Probability that a squawk follows another.
    flutter_share
        Share of slips that flutter at several hertz.
    fall_share
        Share of slips by weight that end with the unit on the floor.
    """

    base: float = -4.2
    per_newton: float = 0.6
    dry_hold: float = 0.78
    wet_kg_min: float = 0.15
    gap_mm: float = 2.3
    gap_spread: float = 0.4
    open_s: float = 0.55
    open_spread: float = 0.75
    train_share: float = 0.35
    flutter_share: float = 0.12
    fall_share: float = 0.03

    def hold_share(self, quarter_kg_min: float) -> float:
        """Return the share of the holding force that a teat with this milk flow [kg/min] has."""
        filled = quarter_kg_min / (quarter_kg_min + self.wet_kg_min)
        return self.dry_hold + (1.0 - self.dry_hold) * filled

    def probability(self, margin_n: float) -> float:
        """Return the probability of a slip in one pulsation at a margin [N]."""
        return 1.0 / (1.0 + math.exp(-(self.base + self.per_newton * margin_n)))


@dataclass(slots=True)
class Opening:
    """A hole between a teat and its liner: trapezoid from ``start_s`` to ``end_s`` (the reseal).

    ``area_mm2`` is discharge coefficient times area at its widest; times are seconds of the record.
    """

    start_s: float
    end_s: float
    area_mm2: float
    rise_s: float = 0.05
    fall_s: float = 0.05


def gap_area_mm2(diameter_mm: float) -> float:
    """Return the discharge area [mm2] of a gap given as the diameter of a hole [mm]."""
    return GAP_DISCHARGE * hole_area_mm2(diameter_mm)


def draw_cause(added_n: Mapping[Cause, float], law: SlipLaw, rng: np.random.Generator) -> Cause:
    """Draw the cause of a slip by the odds each loosening force [N] added; what none explains is unknown."""
    weights = {cause: max(0.0, math.expm1(law.per_newton * max(0.0, n))) for cause, n in added_n.items()}
    pick = float(rng.random()) * (1.0 + sum(weights.values()))
    for cause, weight in weights.items():
        if pick < weight:
            return cause
        pick -= weight
    return Cause.UNKNOWN


def draw_openings(start_s: float, law: SlipLaw, rng: np.random.Generator) -> list[Opening]:
    """Draw the openings of one slip: one, a train of squawks, or a flutter."""
    diameter = float(np.clip(rng.lognormal(math.log(law.gap_mm), law.gap_spread), *_GAP_MM))
    if rng.random() < law.flutter_share:
        return _flutter(start_s, diameter, rng)
    openings = [_one(start_s, diameter, law, rng)]
    while rng.random() < law.train_share and len(openings) < _MOST_PULSES:
        pause = float(np.clip(rng.lognormal(-0.2, 0.7), 0.15, 4.0))
        openings.append(_one(openings[-1].end_s + pause, diameter * float(rng.uniform(0.7, 1.1)), law, rng))
    return openings


_GAP_MM: Final = (1.2, 5.8)
_OPEN_S: Final = (0.08, 3.0)
_MOST_PULSES: Final = 8


def _one(start_s: float, diameter_mm: float, law: SlipLaw, rng: np.random.Generator) -> Opening:
    length = float(np.clip(rng.lognormal(math.log(law.open_s), law.open_spread), *_OPEN_S))
    rise = min(0.4 * length, float(rng.uniform(0.02, 0.08)))
    fall = min(0.4 * length, float(rng.uniform(0.03, 0.2)))
    return Opening(start_s, start_s + length, gap_area_mm2(diameter_mm), rise, fall)


def _flutter(start_s: float, diameter_mm: float, rng: np.random.Generator) -> list[Opening]:
    period = float(rng.uniform(0.12, 0.35))
    count = int(rng.integers(4, 16))
    area = gap_area_mm2(diameter_mm)
    spread = rng.uniform(0.6, 1.1, count)
    return [
        Opening(start_s + k * period, start_s + (k + 0.55) * period, area * float(spread[k]), 0.02, 0.02)
        for k in range(count)
    ]
