"""Turn a happening of the kernel into the result that is stored, with its figures in the contract's words."""

from __future__ import annotations

from typing import Any, Final

from detect.assemble import StallBook
from detect.cause import Evidence, attribute
from detect.hear import FALLEN
from detect.impact import impact_kpa
from detect.kinds import AirKind, Condition, Phase, Quarter, SupportState
from detect.params import BIN_NS, BIN_S, DetectorParams, bins
from detect.results import AirEvent, ConditionEvent, PlantEvent, SupportEvent
from detect.unit import WITH_ARM, WITHOUT_ARM

YOUNG_S: Final = 60.0
"""A milking's let-down is over after this [s] at the latest (engineering choice)."""
PLATEAU_SHARE: Final = 0.7
"""Flow above this share of the peak counts as peak flow (engineering choice)."""


def air_event(
    h: Any, book: StallBook, stall_excess: tuple[float, int], *, params: DetectorParams, label: str
) -> AirEvent:
    """Return the air event of a closed admission.

    Parameters
    ----------
    h:
        Row of HAPPENING_DTYPE.
    book:
        The stall's book with its open milking.
    stall_excess:
        The stall's slips per milking over the others', and the milkings behind it.
    params, label:
        The detector's parameters and its version with their digest.
    """
    kind = air_kind(h, params.air.fall_off_l_min)
    flow, base = float(h["flow"]), float(h["base"]) + float(h["value"])
    depth = min(max(float(h["depth"]), 0.0), max(base, 0.0))
    cause, share = attribute(_evidence(h, kind, stall_excess))
    start_ns = int(h["from_bin"]) * BIN_NS
    return AirEvent(
        event_id=f"{book.parlor}-{book.stall}-{start_ns // 1_000_000}-air",
        parlor=book.parlor,
        stall=book.stall,
        milking_id=book.milking.milking_id if book.milking else None,
        kind=kind,
        start_ns=start_ns,
        end_ns=max(int(h["to_bin"]), int(h["from_bin"]) + 1) * BIN_NS,
        detected_ns=(int(h["found_bin"]) + 1) * BIN_NS,
        depth_kpa=round(depth, 3),
        max_fall_kpa_250ms=round(max(float(h["fall"]), 0.0), 3),
        air_l=round(max(float(h["litres"]), 0.0), 4),
        peak_air_l_min=round(max(float(h["peak"]), 0.0), 2),
        pulses=int(h["pulses"]),
        flow_kg_min=round(flow, 3),
        phase=phase_of(h, params.milking.low_flow_kg_min),
        impact_kpa=round(impact_kpa(flow, base, depth), 3),
        cause=cause,
        cause_share=round(share, 3),
        confidence=round(1.0 - 0.5 ** (float(h["score"]) ** 2), 3),
        detector=label,
        quarter=_quarter(h, kind),
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
    return AirKind.FALL_OFF if wide or h["flag"] >= FALLEN else AirKind.LINER_SLIP


def phase_of(h: Any, low_flow_kg_min: float) -> Phase:
    """Name the phase by flow: before its plateau, on it, under it, or nearly dry."""
    flow, peak = float(h["flow"]), float(h["peak_flow"])
    if flow < low_flow_kg_min <= peak:
        return Phase.LOW_FLOW
    if int(h["age"]) * BIN_S < YOUNG_S and (peak < low_flow_kg_min or h["rising"]):
        return Phase.LET_DOWN
    return Phase.PEAK if flow >= PLATEAU_SHARE * peak else Phase.DECLINE


def _evidence(h: Any, kind: AirKind, stall_excess: tuple[float, int]) -> Evidence:
    return Evidence(
        kind=kind,
        unsupported=bool(h["astray"]),
        plant_deficit_kpa=max(0.0, -float(h["value"])),
        flow_share=float(h["flow"]) / max(float(h["peak_flow"]), 0.5),
        stall_excess=stall_excess[0],
        milkings=stall_excess[1],
        arm_jerk=bool(h["jerk"]),
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
        state=SupportState.SLACK if h["flag"] == 1 else SupportState.DRAG,
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
