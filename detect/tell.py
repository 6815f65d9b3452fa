"""Turn a happening of the kernel into the result that is stored, with its figures in the contract's words."""

from __future__ import annotations

from typing import Any, Final

from detect.arm_state import DRAG, SLACK
from detect.assemble import StallBook
from detect.cause import Evidence, Verdict
from detect.impact import impact_kpa
from detect.kinds import AirKind, Condition, Phase, Quarter, SupportState
from detect.params import BIN_NS, BIN_S, DetectorParams, bins
from detect.results import AirEvent, ConditionEvent, PlantEvent, SupportEvent
from detect.unit import WITH_ARM, WITHOUT_ARM

YOUNG_S: Final = 60.0
"""A milking's let-down is over after this [s] at the latest (engineering choice)."""
_STATES: Final = {SLACK: SupportState.SLACK, DRAG: SupportState.DRAG}
CLIMB: Final = 1.6
"""Flow this many times over the best ten seconds so far is still rising (engineering choice)."""
PLATEAU_SHARE: Final = 0.7
"""Flow above this share of the peak counts as peak flow (engineering choice)."""


def air_event(
    h: Any, book: StallBook, evidence: Evidence, *, verdict: Verdict, params: DetectorParams, label: str
) -> AirEvent:
    """Return the air event of a closed admission.

    Parameters
    ----------
    h:
        Row of HAPPENING_DTYPE.
    book:
        The stall's book with its open milking.
    evidence, verdict:
        What was known when the air came in, and what was made of it.
    params, label:
        The detector's parameters and its version with their digest.
    """
    flow, base = evidence.flow_kg_min, float(h["base"]) + float(h["value"])
    depth = min(max(float(h["depth"]), 0.0), max(base, 0.0))
    start_ns = int(h["from_bin"]) * BIN_NS
    return AirEvent(
        event_id=f"{book.parlor}-{book.stall}-{start_ns // 1_000_000}-air",
        parlor=book.parlor,
        stall=book.stall,
        milking_id=book.milking.milking_id if book.milking else None,
        kind=evidence.kind,
        start_ns=start_ns,
        end_ns=max(int(h["to_bin"]), int(h["from_bin"]) + 1) * BIN_NS,
        detected_ns=(int(h["found_bin"]) + 1) * BIN_NS,
        depth_kpa=round(depth, 3),
        max_fall_kpa_250ms=round(max(float(h["fall"]), 0.0), 3),
        air_l=round(max(float(h["litres"]), 0.0), 4),
        peak_air_l_min=round(max(float(h["peak"]), 0.0), 2),
        pulses=int(h["pulses"]),
        flow_kg_min=round(flow, 3),
        phase=phase_of(h, flow, params.milking.low_flow_kg_min),
        impact_kpa=round(impact_kpa(flow, base, depth), 3),
        cause=verdict.cause,
        cause_share=round(verdict.share, 3),
        confidence=round(float(h["belief"]), 3),
        detector=label,
        evidence=verdict.text,
        quarter=_quarter(h, evidence.kind),
    )


def _quarter(h: Any, kind: AirKind) -> Quarter | None:
    """Name the quarter of a slip; a unit off its teats is open everywhere."""
    known = kind is AirKind.LINER_SLIP and h["quarter"] > 0
    return tuple(Quarter)[int(h["quarter"]) - 1] if known else None


def air_kind(h: Any, fall_off_l_min: float) -> AirKind:
    """Name what let the air in, from how it ended: with or without the arm, wide and long, or resealed."""
    if h["flag"] == WITH_ARM:
        return AirKind.VACUUM_REMOVAL
    if h["flag"] == WITHOUT_ARM:
        return AirKind.FALL_OFF
    wide = h["flag"] >= bins(1.0) and h["peak"] > fall_off_l_min
    return AirKind.FALL_OFF if wide else AirKind.LINER_SLIP


def phase_of(h: Any, flow_kg_min: float, low_flow_kg_min: float) -> Phase:
    """Name the phase by flow: before its plateau, on it, under it, or nearly dry.

    The plateau is not known before it was reached: a young milking is in let-down while its flow
    stands well above the best ten seconds so far, or those were hardly milk.
    """
    flow, peak = flow_kg_min, float(h["peak_flow"])
    climbs = bool(h["rising"]) and flow > CLIMB * peak
    if int(h["age"]) * BIN_S < YOUNG_S and (peak < low_flow_kg_min or climbs):
        return Phase.LET_DOWN
    if flow < low_flow_kg_min <= peak:
        return Phase.LOW_FLOW
    return Phase.PEAK if flow >= PLATEAU_SHARE * peak else Phase.DECLINE


def air_evidence(h: Any, note: Any, params: DetectorParams) -> Evidence:
    """Return what was known when the air came in, from the happening and its note of the scene."""
    state = _STATES.get(int(note["loose_state"]))
    return Evidence(
        kind=air_kind(h, params.air.fall_off_l_min),
        state=state,
        loose_s=float(note["loose_s"]),
        deficit_kpa=float(note["deficit_kpa"]),
        lowness=float(note["lowness"]),
        flow_kg_min=float(note["flow_kg_min"]),
        flow_share=float(note["flow_share"]),
        flow_fell=float(note["flow_fell"]),
        dryness=float(note["dryness"]),
        unrest=float(note["unrest"]) if note["arm_known"] else None,
    )


def support_event(h: Any, book: StallBook) -> SupportEvent:
    """Return the unsupported stretch of a closed happening."""
    return SupportEvent(
        parlor=book.parlor,
        stall=book.stall,
        milking_id=book.milking.milking_id if book.milking else None,
        start_ns=int(h["from_bin"]) * BIN_NS,
        end_ns=int(h["to_bin"]) * BIN_NS,
        detected_ns=(int(h["found_bin"]) + 1) * BIN_NS,
        state=_STATES[int(h["flag"])],
        support_share=round(float(h["value"]), 3),
    )


def plant_event(h: Any, parlor: str) -> PlantEvent:
    """Return the plant's dip of a closed happening."""
    return PlantEvent(
        parlor=parlor,
        start_ns=int(h["from_bin"]) * BIN_NS,
        end_ns=int(h["to_bin"]) * BIN_NS,
        depth_kpa=round(float(h["depth"]), 3),
        stalls_touched=int(h["flag"]),
    )


def gap_event(book: StallBook) -> list[ConditionEvent]:
    """Return what was missing of a milking's vacuum as one event, or nothing."""
    milking = book.milking
    if milking is None or milking.gaps == 0:
        return []
    end_ns = milking.gap_to * BIN_NS
    return [
        ConditionEvent(
            parlor=book.parlor,
            stall=book.stall,
            start_ns=milking.gap_from * BIN_NS,
            end_ns=end_ns,
            detected_ns=end_ns,
            condition=Condition.DATA_GAP,
            evidence=f"{milking.gaps} gaps, {milking.gap_bins * BIN_S:.1f} s of the unit's vacuum missing",
        )
    ]
