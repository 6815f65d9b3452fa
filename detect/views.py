"""What a face may show of the running detector, without touching its state."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class StallNow:
    """One stall as of the last worked bin; instants in ns, vacuum in kPa, flow in kg/min (None: unknown).

    ``silent_s`` is how long its vacuum has been missing, ``air_since_ns`` the onset of the air that is
    entering now, ``air_l`` its litres so far, and ``low_s`` how long that air has held the vacuum under
    half of the quiet one.
    """

    stall: int
    t_ns: int
    vacuum_kpa: float | None
    flow_kg_min: float | None
    attached: bool
    milking_id: str | None
    cow: str | None
    unsupported_since_ns: int | None
    silent_s: float = 0.0
    air_since_ns: int | None = None
    air_l: float = 0.0
    low_s: float = 0.0


@dataclass(frozen=True, slots=True)
class PlantNow:
    """The vacuum plant as of the last worked bin; ``dip_since_ns`` is None while nothing is amiss."""

    t_ns: int
    dip_since_ns: int | None
    dip_kpa: float
