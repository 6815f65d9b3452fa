"""When something counts as a matter for a technician: limits, each with its unit and its source."""

from __future__ import annotations

from dataclasses import dataclass

from detect.errors import ParameterError


@dataclass(frozen=True, slots=True)
class ConditionParams:
    """Limits of the conditions; "usual" is the stall's own norm, or the parlor's until that is known.

    Attributes
    ----------
    still_kpa, still_s:
        A reading that stays within this [kPa] for this long [s] under vacuum, or while milk flows, is
        stuck (engineering choice: a pulsating claw moves by ten times as much every half second).
    moving_kg_min:
        Milk flow that proves a unit at work [kg/min] (engineering choice).
    zero_kpa, zero_fine_kpa:
        An open claw that reads further than this from 0 is off, nearer than the second it is right
        [kPa] (common practice, no source: 0 +- 0.5 kPa when parked open).
    calibration_kpa:
        Most that the zero check may correct a claw's figures by [kPa] (engineering choice).
    slow_ratio, slow_fine_ratio:
        Draining takes longer than this many times the usual, or less than the second (proposal: twice
        the stall's own median).
    level_kpa:
        A claw vacuum this far from the usual one at the same milk flow is another one [kPa]
        (engineering choice: four times its scatter).
    beat_share, beat_fine_share:
        Pulsation under this share of its usual swing is gone, over the second it is there
        (engineering choice between a dead pulsator's 0.1 and the weakest healthy beat's 0.3).
    beat_least_kpa:
        A usual swing under this [kPa] cannot tell anything (engineering choice).
    rate_ratio:
        A pulsation rate this far from the usual one is off (engineering choice: what six seconds can
        tell apart; the tolerance of a mechanical test is narrower).
    leak_l_min, leak_fine_l_min:
        Air beyond the usual, all through a milking, that is a leak or none [L/min] (engineering choice:
        the usual total admission of a unit is 4-12 L/min, ISO 5707, value from memory).
    leak_looks:
        Quiet looks of 10 s into one milking that a verdict on leaks needs (engineering choice).
    """

    still_kpa: float = 0.06
    still_s: float = 10.0
    moving_kg_min: float = 0.5
    zero_kpa: float = 0.75
    zero_fine_kpa: float = 0.5
    calibration_kpa: float = 2.0
    slow_ratio: float = 2.0
    slow_fine_ratio: float = 1.5
    level_kpa: float = 1.0
    beat_share: float = 0.22
    beat_fine_share: float = 0.3
    beat_least_kpa: float = 0.2
    rate_ratio: float = 0.12
    leak_l_min: float = 10.0
    leak_fine_l_min: float = 5.0
    leak_looks: int = 6

    def __post_init__(self) -> None:
        """Refuse limits that contradict each other."""
        checks = {
            "still_kpa": self.still_kpa > 0.0 and self.still_s >= 5.0,
            "zero_kpa": self.zero_kpa > self.zero_fine_kpa > 0.0,
            "slow_ratio": self.slow_ratio > self.slow_fine_ratio > 1.0,
            "beat_share": 0.0 < self.beat_share < self.beat_fine_share < 1.0,
            "rate_ratio": 0.05 <= self.rate_ratio <= 0.3,
            "leak_l_min": self.leak_l_min > self.leak_fine_l_min > 0.0,
            "leak_looks": self.leak_looks >= 1,
        }
        for name, holds in checks.items():
            if not holds:
                raise ParameterError("value is outside its range", where=f"condition.{name}")
