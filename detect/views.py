"""What a face may show of the running detector, without touching its state."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class StallNow:
    """One stall as of the last worked bin; instants in ns, vacuum in kPa, flow in kg/min (None: unknown)."""

    stall: int
    t_ns: int
    vacuum_kpa: float | None
    flow_kg_min: float | None
    attached: bool
    milking_id: str | None
    cow: str | None
    unsupported_since_ns: int | None
