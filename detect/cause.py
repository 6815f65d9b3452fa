"""Why did it slip? Shares over the likely causes, from evidence a practitioner can check.

Each piece of evidence adds its weight (a log likelihood ratio) to one cause; the shares are the
normalised exponentials, with ``unknown`` as the cause that needs no evidence. Weights are an
engineering choice, tuned on simulated parlors: no field data with known causes was available.
A share tells how well the evidence fits, not who is to blame.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from detect.kinds import AirKind, Cause

PRIOR: Final = {
    Cause.UNKNOWN: 0.7,
    Cause.WEIGHT_NOT_CARRIED: 0.0,
    Cause.QUARTER_DRY: 0.0,
    Cause.LOW_PLANT_VACUUM: -0.5,
    Cause.STALL_FAULT: -0.3,
    Cause.COW: 0.0,
}
LOW_PLANT_KPA: Final = 2.0
"""The regulated vacuum is kept within 2 kPa of nominal (limit as quoted by Rosca et al. 2025)."""
LEAST_SHARE: Final = 0.45
"""Under this share the cause is called unknown (engineering choice)."""


@dataclass(frozen=True, slots=True)
class Evidence:
    """What was known when the air came in.

    Attributes
    ----------
    kind:
        What kind of event it was.
    unsupported:
        The unit was not carried at the onset or shortly before.
    plant_deficit_kpa:
        How far the plant's vacuum stood under its slow mean, or the whole parlor's fell [kPa].
    flow_share:
        Milk flow over the milking's peak flow so far, 0..1.
    stall_excess:
        The stall's slips per milking over the parlor's (1 = ordinary), from other milkings only.
    milkings:
        Milkings of this stall behind that figure.
    arm_jerk:
        The arm moved fast around the onset.
    """

    kind: AirKind
    unsupported: bool
    plant_deficit_kpa: float
    flow_share: float
    stall_excess: float
    milkings: int
    arm_jerk: bool


def attribute(evidence: Evidence) -> tuple[Cause, float]:
    """Return the likeliest cause and its share 0..1; ``unknown`` when the evidence is thin."""
    shares = cause_shares(evidence)
    best = max(shares, key=lambda cause: shares[cause])
    return (best, shares[best]) if shares[best] >= LEAST_SHARE else (Cause.UNKNOWN, shares[Cause.UNKNOWN])


def cause_shares(evidence: Evidence) -> dict[Cause, float]:
    """Return the share of every cause; they sum to one."""
    weights = dict(PRIOR)
    if evidence.unsupported:
        weights[Cause.WEIGHT_NOT_CARRIED] += 2.6
    if evidence.plant_deficit_kpa > LOW_PLANT_KPA:
        weights[Cause.LOW_PLANT_VACUUM] += 1.5 + min(evidence.plant_deficit_kpa - LOW_PLANT_KPA, 3.0)
    if evidence.flow_share < 0.35:
        weights[Cause.QUARTER_DRY] += 1.4
    elif evidence.flow_share < 0.6:
        weights[Cause.QUARTER_DRY] += 0.6
    if evidence.milkings >= 5 and evidence.stall_excess > 1.5:
        weights[Cause.STALL_FAULT] += 2.2 * math.log(evidence.stall_excess)
    if evidence.arm_jerk:
        weights[Cause.COW] += 1.5
    if evidence.kind is not AirKind.LINER_SLIP:
        weights[Cause.COW] += 1.6
    scale = sum(math.exp(weight) for weight in weights.values())
    return {cause: math.exp(weight) / scale for cause, weight in weights.items()}
