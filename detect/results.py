"""What the detector says: one frozen dataclass a table of the contract.

Field names are the column names of the tables, except that instants are integer nanoseconds
since 1970-01-01 UTC here (``start_ns``) and TIMESTAMP columns there (``start_at``).
"""

from __future__ import annotations

from dataclasses import dataclass

from detect.kinds import AirKind, Cause, Condition, Phase, Quarter, SupportState


@dataclass(frozen=True, slots=True)
class AirEvent:
    """One admission of air into one milking unit (a train of squawks is one event).

    ``depth_kpa`` is the largest fall below the running baseline, ``max_fall_kpa_250ms`` the largest
    fall within 0.25 s, ``air_l`` free air in litres at local atmospheric pressure (estimate),
    ``impact_kpa`` the estimated reverse pressure gradient, ``cause_share`` and ``confidence`` lie in 0..1,
    ``evidence`` says in words and figures what speaks for the cause.
    ``quarter`` is whose cup let it in; never claimed without sensors in the short milk tubes.
    """

    event_id: str
    parlor: str
    stall: int
    milking_id: str | None
    kind: AirKind
    start_ns: int
    end_ns: int
    detected_ns: int
    depth_kpa: float
    max_fall_kpa_250ms: float
    air_l: float
    peak_air_l_min: float
    pulses: int
    flow_kg_min: float
    phase: Phase
    impact_kpa: float
    cause: Cause
    cause_share: float
    confidence: float
    detector: str
    evidence: str = ""
    quarter: Quarter | None = None


@dataclass(frozen=True, slots=True)
class SupportEvent:
    """A stretch in which a unit's weight was not carried by its arm; ``support_share`` lies in 0..1."""

    parlor: str
    stall: int
    milking_id: str | None
    start_ns: int
    end_ns: int
    detected_ns: int
    state: SupportState
    support_share: float


@dataclass(frozen=True, slots=True)
class Milking:
    """One cow's milking in one stall, with every figure of the contract; a quiet one is a row too."""

    milking_id: str
    parlor: str
    stall: int
    cow: str | None
    milker: str | None
    group_name: str | None
    start_ns: int
    end_ns: int
    yield_kg: float
    unit_on_s: float
    mean_flow_kg_min: float
    peak_flow_kg_min: float
    two_minute_kg: float
    low_flow_s: float
    mean_claw_kpa: float | None
    vacuum_at_removal_kpa: float | None
    slips: int
    slip_air_l: float
    late_slips: int
    impact_load_kpa: float
    fall_offs: int
    reattaches: int
    unsupported_s: float
    coverage_ratio: float
    complete: bool


@dataclass(frozen=True, slots=True)
class PlantEvent:
    """A dip of the whole vacuum plant; it is never an air event of a stall."""

    parlor: str
    start_ns: int
    end_ns: int
    depth_kpa: float
    stalls_touched: int


@dataclass(frozen=True, slots=True)
class ConditionEvent:
    """Something that needs a technician rather than a milker; ``stall`` 0 is the plant.

    It is told when it is found, and once more with its end when it is over.
    """

    parlor: str
    stall: int
    start_ns: int
    end_ns: int | None
    detected_ns: int
    condition: Condition
    evidence: str

    @property
    def is_first_report(self) -> bool:
        """Whether it was not told before: whatever is told twice had no end at first."""
        return self.end_ns is None or self.end_ns <= self.detected_ns


Result = AirEvent | SupportEvent | Milking | PlantEvent | ConditionEvent
