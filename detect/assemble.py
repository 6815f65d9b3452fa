"""Assemble one stall's milkings: who stood there, what happened, when it was over.

A milking runs from the first attaching to the last removal of one cow's stay. Putting the unit on
again, also one rotation later, continues it. Nobody said who stands there: the milking is kept for
the stall without a cow, and its events are held back until it is sure that it is no wash: where cows are
named elsewhere until it ends, else until there is milk enough.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from detect.arm_state import EARLY
from detect.kinds import AirKind, Phase
from detect.params import BIN_NS, BIN_S, MilkingParams
from detect.readings import CowAtStall
from detect.results import AirEvent, Milking, Result, SupportEvent

FULL_COVERAGE = 0.9
"""A milking with less of its vacuum seen is not complete (contract)."""


@dataclass(slots=True)
class Figures:
    """What the kernel has summed up for the open milking."""

    on_bins: int = 0
    data_bins: int = 0
    yield_kg: float = 0.0
    two_minute_kg: float = 0.0
    peak_flow_kg_min: float = 0.0
    peak_kpa: float | None = None
    low_flow_s: float = 0.0
    removal_kpa: float | None = None
    astray_bins: int = 0


@dataclass(slots=True)
class OpenMilking:
    """The milking in hand."""

    milking_id: str
    start_bin: int
    end_bin: int
    begun: bool
    cow: str | None = None
    milker: str | None = None
    group: str | None = None
    wash: bool = False
    sure: bool = False  # it is a milking, whoever stands there: nothing is held back any more
    slips: int = 0
    slip_air_l: float = 0.0
    late_slips: int = 0
    impact_load_kpa: float = 0.0
    fall_offs: int = 0
    reattaches: int = 0
    gaps: int = 0
    gap_bins: int = 0
    gap_from: int = 0
    gap_to: int = 0
    unexplained_slips: float = 0.0  # by their shares, for the cow's memory
    held: list[AirEvent | SupportEvent] = field(default_factory=list)


@dataclass(slots=True)
class StallBook:
    """One stall's cow and open milking."""

    parlor: str
    stall: int
    cow: str | None = None
    milker: str | None = None
    group: str | None = None
    milking: OpenMilking | None = None
    left: Figures | None = None  # figures when the cow left; the milking waits for her return
    early: list[tuple[int, str]] = field(default_factory=list)  # first milkings: begin, name ("" was none)

    def attach(self, at_bin: int, *, begun: bool) -> None:
        """Open a milking at its first attaching."""
        start_ms = at_bin * BIN_NS // 1_000_000
        self.milking = OpenMilking(
            milking_id=f"{self.parlor}-{self.stall}-{start_ms}",
            start_bin=at_bin,
            end_bin=at_bin,
            begun=begun,
            cow=self.cow,
            milker=self.milker,
            group=self.group,
        )
        self.left = None

    def keep(self, event: AirEvent | SupportEvent) -> list[Result]:
        """Count an event for the open milking; return it, or hold it while the cow is unknown."""
        milking = self.milking
        if milking is None:
            return []
        if isinstance(event, AirEvent):
            _count(milking, event)
        if milking.cow is None and not milking.sure:
            milking.held.append(event)
            return []
        return [event]

    def release(self, figures: Figures, params: MilkingParams) -> list[Result]:
        """Return what was held back, once this is a milking by its figures so far."""
        milking = self.milking
        if milking is None or not _is_milking(milking, figures, params, ended=False):
            return []
        milking.sure = True
        held, milking.held = milking.held, []
        return list(held)

    def look_back(self, event: SupportEvent) -> list[Result]:
        """Return what is told of one of the stall's first milkings afterwards; nothing if it was none."""
        begun = [name for start_bin, name in self.early if start_bin * BIN_NS <= event.start_ns]
        return [replace(event, milking_id=begun[-1])] if begun and begun[-1] else []

    def identify(self, reading: CowAtStall) -> list[Result]:
        """Take over who stands here; a late name releases what was held for it."""
        self.cow, self.milker, self.group = reading.cow, reading.milker, reading.group
        milking = self.milking
        if milking is None or milking.cow is not None:
            return []
        milking.cow, milking.milker, milking.group = reading.cow, reading.milker, reading.group
        held, milking.held = milking.held, []
        return list(held)

    def close(self, figures: Figures, params: MilkingParams, *, ended: bool) -> list[Result]:
        """Finish the open milking and return its row with whatever was held; nothing for a wash."""
        milking, self.milking, self.left = self.milking, None, None
        if milking is None:
            return []
        real = milking.sure or _is_milking(milking, figures, params, ended=ended)
        if len(self.early) < EARLY:
            self.early.append((milking.start_bin, milking.milking_id if real else ""))
        if not real:
            return []
        return [*milking.held, _row(self.parlor, self.stall, milking, figures=figures, ended=ended)]


def _count(milking: OpenMilking, event: AirEvent) -> None:
    if event.kind is AirKind.FALL_OFF:
        milking.fall_offs += 1
    if event.kind is not AirKind.LINER_SLIP:
        return
    milking.slips += 1
    milking.slip_air_l += event.air_l
    milking.late_slips += event.phase is Phase.LOW_FLOW
    milking.impact_load_kpa += event.impact_kpa


def _is_milking(milking: OpenMilking, figures: Figures, params: MilkingParams, *, ended: bool) -> bool:
    """Tell a milking from a wash and from a unit that only touched the udder."""
    on_s = figures.on_bins * BIN_S
    if milking.wash:
        return False
    if milking.cow is None:
        return on_s >= 2.0 * params.shortest_s and figures.yield_kg >= 2.0 * params.least_kg
    if not ended:  # the record stops in it: how long it would have lasted nobody knows
        return True
    return on_s >= params.shortest_s or figures.yield_kg >= params.least_kg or milking.fall_offs > 0


def _row(parlor: str, stall: int, milking: OpenMilking, *, figures: Figures, ended: bool) -> Milking:
    on_s = figures.on_bins * BIN_S
    coverage = figures.data_bins / figures.on_bins if figures.on_bins else 0.0
    return Milking(
        milking_id=milking.milking_id,
        parlor=parlor,
        stall=stall,
        cow=milking.cow,
        milker=milking.milker,
        group_name=milking.group,
        start_ns=milking.start_bin * BIN_NS,
        end_ns=milking.end_bin * BIN_NS,
        yield_kg=round(figures.yield_kg, 4),
        unit_on_s=round(on_s, 3),
        mean_flow_kg_min=round(figures.yield_kg / on_s * 60.0, 4) if on_s else 0.0,
        peak_flow_kg_min=round(figures.peak_flow_kg_min, 4),
        two_minute_kg=round(figures.two_minute_kg, 4),
        low_flow_s=round(figures.low_flow_s, 3),
        mean_claw_kpa=None if figures.peak_kpa is None else round(figures.peak_kpa, 3),
        vacuum_at_removal_kpa=None if figures.removal_kpa is None else round(figures.removal_kpa, 3),
        slips=milking.slips,
        slip_air_l=round(milking.slip_air_l, 4),
        late_slips=milking.late_slips,
        impact_load_kpa=round(milking.impact_load_kpa, 3),
        fall_offs=milking.fall_offs,
        reattaches=milking.reattaches,
        unsupported_s=round(figures.astray_bins * BIN_S, 3),
        coverage_ratio=round(coverage, 4),
        complete=milking.begun and ended and coverage >= FULL_COVERAGE,
    )
