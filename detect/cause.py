"""Why did it slip? Shares over the likely causes, as competing hazards a practitioner can check.

Cups slip now and then for no reason anyone can see, at a base rate. A circumstance that loosens them
(a slack cord, a dry quarter, a low plant, an arm that jumps) adds a rate of its own, a bad stall and a
restless cow add theirs. The share of a cause in one slip is the rate it added over the whole rate::

    share_c = excess_c * strength_c / (1 + sum of all excesses),    unknown = the 1

``strength`` (0 and up) is how much of the circumstance there was at the onset, ``excess`` how much
oftener than the base rate cups slip under it *in this very parlor*, learned from its own past by
:mod:`detect.history`; this is the attributable fraction of epidemiology, (RR - 1) / RR, for several
exposures at once. So the shares hold in parlors that differ in what goes wrong. They tell how well
the evidence fits, not who is to blame. Tuned on simulated parlors: no field data with known causes
was available.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from detect.kinds import AirKind, Cause, SupportState

LEAST_SHARE: Final = 0.35
"""Under this share the cause is called unknown (engineering choice)."""
CLEAR_SHARE: Final = 0.7
"""Under this share the text names the second cause too (engineering choice)."""
UNREST: Final = 6.0
"""Arm motion over this many times the stall's ordinary one is unrest (engineering choice)."""
QUIET_COW: Final = 0.06
"""Share of the base rate that is the cow although no arm moved (engineering choice)."""
UNSEEN_COW: Final = 0.4
"""The same where no arm is measured (engineering choice)."""
LEAST_EXCESS: Final = 1.0
"""A stall or cow is named in the text from twice the ordinary rate on (engineering choice)."""
FALL: Final = {Cause.COW: 0.5, Cause.UNKNOWN: 0.4}
"""Who threw the unit off is seldom seen: kicks and whatever else, evenly (engineering choice)."""
LOOSE_FALL: Final = 0.6
"""Weight of a unit that was not carried beside these (engineering choice)."""
PULLED: Final = {Cause.UNKNOWN: 0.9}
"""A unit pulled off under vacuum was pulled by somebody: no cause of the list (engineering choice)."""
TRACE: Final = 0.02
"""Weight of every other cause of these two kinds."""

CIRCUMSTANCES: Final = (
    Cause.WEIGHT_NOT_CARRIED,
    Cause.QUARTER_DRY,
    Cause.LOW_PLANT_VACUUM,
    Cause.COW,
)
"""Causes whose strength is seen at the onset; a stall's fault is seen in its history only."""


@dataclass(frozen=True, slots=True)
class Evidence:
    """What was known when the air came in.

    Attributes
    ----------
    kind:
        What kind of event it was.
    state:
        How the unit was not carried at the onset; None when it was.
    loose_s:
        For how long before the onset it was not [s].
    deficit_kpa, lowness:
        How far the plant stood under its regulated vacuum [kPa], and the strength of that.
    flow_kg_min, flow_share, flow_fell, dryness:
        Milk flow, the same over the milking's peak so far, the share lost in the last 30 s, and the
        strength of that.
    unrest:
        Strongest motion of the arm around the onset, over what is ordinary at this stall; None
        without an arm sensor.
    """

    kind: AirKind
    state: SupportState | None = None
    loose_s: float = 0.0
    deficit_kpa: float = 0.0
    lowness: float = 0.0
    flow_kg_min: float = 0.0
    flow_share: float = 1.0
    flow_fell: float = 0.0
    dryness: float = 0.0
    unrest: float | None = 1.0

    @property
    def strengths(self) -> dict[Cause, float]:
        """Return how much of each circumstance there was."""
        return {
            Cause.WEIGHT_NOT_CARRIED: 1.0 if self.state else 0.0,
            Cause.QUARTER_DRY: self.dryness,
            Cause.LOW_PLANT_VACUUM: self.lowness,
            Cause.COW: 1.0 if self.unrest is not None and self.unrest > UNREST else 0.0,
        }


@dataclass(frozen=True, slots=True)
class Excess:
    """How much oftener cups slip, over the parlor's base rate.

    Attributes
    ----------
    by_cause:
        For each circumstance at strength 1.
    stall, cow:
        For this stall and this cow, from what happened before.
    """

    by_cause: Mapping[Cause, float]
    stall: float = 0.0
    cow: float = 0.0


@dataclass(frozen=True, slots=True)
class Verdict:
    """The likeliest cause with its share 0..1, all shares, and the evidence in words."""

    cause: Cause
    share: float
    shares: Mapping[Cause, float]
    text: str


def attribute(evidence: Evidence, excess: Excess) -> Verdict:
    """Return the likeliest cause and why; ``unknown`` when the evidence is thin."""
    shares = cause_shares(evidence, excess)
    best = max(shares, key=lambda cause: shares[cause])
    cause = best if shares[best] >= LEAST_SHARE else Cause.UNKNOWN
    return Verdict(cause, shares[cause], shares, evidence_text(evidence, excess, shares))


def cause_shares(evidence: Evidence, excess: Excess) -> dict[Cause, float]:
    """Return the share of every cause; they sum to one."""
    weights = _weights(evidence, excess)
    total = sum(weights.values())
    return {cause: weights[cause] / total for cause in Cause}


def _weights(evidence: Evidence, excess: Excess) -> dict[Cause, float]:
    if evidence.kind is not AirKind.LINER_SLIP:
        known = PULLED if evidence.kind is AirKind.VACUUM_REMOVAL else FALL
        weights = dict.fromkeys(Cause, TRACE) | known
        if evidence.kind is AirKind.FALL_OFF and evidence.state:
            weights[Cause.WEIGHT_NOT_CARRIED] = LOOSE_FALL
        return weights
    base_cow = UNSEEN_COW if evidence.unrest is None else QUIET_COW
    strengths = evidence.strengths
    weights = {cause: excess.by_cause[cause] * strengths[cause] for cause in CIRCUMSTANCES}
    weights[Cause.COW] += base_cow + excess.cow
    weights[Cause.STALL_FAULT] = excess.stall
    weights[Cause.UNKNOWN] = 1.0 - base_cow
    return weights


def evidence_text(evidence: Evidence, excess: Excess, shares: Mapping[Cause, float]) -> str:
    """Return what speaks for each likely cause, the likeliest first, with figures."""
    order = sorted(shares, key=lambda cause: -shares[cause])
    said = [_words(cause, evidence, excess) for cause in order]
    text = "; ".join(part for part in said if part) or "nothing stood out"
    if shares[order[0]] < CLEAR_SHARE:
        named = " or ".join(f"{cause.value} {shares[cause]:.2f}" for cause in order[:2])
        text += f" ({named})"
    return text


def _words(cause: Cause, evidence: Evidence, excess: Excess) -> str:
    """Return what speaks for one cause, or nothing."""
    if cause is Cause.WEIGHT_NOT_CARRIED and evidence.state:
        how = "cord slack" if evidence.state is SupportState.SLACK else "unit pulled out of line"
        return f"{how} for {evidence.loose_s:.0f} s"
    if cause is Cause.QUARTER_DRY and evidence.dryness > 0.0:
        fell = f", fell {100 * evidence.flow_fell:.0f} % in 30 s" if evidence.flow_fell >= 0.1 else ""
        return f"flow {100 * evidence.flow_share:.0f} % of its peak{fell}"
    if cause is Cause.LOW_PLANT_VACUUM and evidence.lowness > 0.0:
        return f"plant {evidence.deficit_kpa:.1f} kPa under its regulated vacuum"
    if cause is Cause.STALL_FAULT and excess.stall >= LEAST_EXCESS:
        return f"stall slips {1 + excess.stall:.0f} times as often as the parlor"
    return _cow_words(evidence, excess) if cause is Cause.COW else ""


def _cow_words(evidence: Evidence, excess: Excess) -> str:
    parts = []
    if evidence.unrest is not None and evidence.unrest > UNREST:
        parts.append(f"arm moved {min(evidence.unrest, 99.0):.0f} times its ordinary")
    if excess.cow >= LEAST_EXCESS:
        parts.append(f"cow slips {1 + excess.cow:.0f} times as often as others")
    return ", ".join(parts)
