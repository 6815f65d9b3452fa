"""What the detector reads: decoded, validated messages in SI-adjacent units, one class a kind.

Every reading carries the *device* time of its first sample in integer nanoseconds since
1970-01-01 UTC. Arrays are one-dimensional float64 and are never changed by the detector.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from detect.kinds import Channel

Samples = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class StallVacuum:
    """Vacuum in one stall's milking unit, kPa below atmosphere, shape (n,)."""

    stall: int
    t_ns: int
    rate_hz: float
    vacuum_kpa: Samples
    channel: Channel = Channel.CLAW


@dataclass(frozen=True, slots=True)
class PlantVacuum:
    """Vacuum of the plant near the receiver, kPa below atmosphere, shape (n,)."""

    t_ns: int
    rate_hz: float
    vacuum_kpa: Samples


@dataclass(frozen=True, slots=True)
class MilkFlow:
    """Milk flow of one unit [kg/min] from ``t_ns`` on."""

    stall: int
    t_ns: int
    flow_kg_min: float


@dataclass(frozen=True, slots=True)
class ArmPosition:
    """Detach arm of one stall: angle above horizontal [deg] and cord pay-out [mm], both shape (n,)."""

    stall: int
    t_ns: int
    rate_hz: float
    angle_deg: Samples
    cord_mm: Samples


@dataclass(frozen=True, slots=True)
class CowAtStall:
    """Who stands at a stall from ``t_ns`` on; ``cow`` is None for an empty stall."""

    stall: int
    t_ns: int
    cow: str | None
    milker: str | None = None
    group: str | None = None
    parity: int | None = None
    dim: int | None = None


Reading = StallVacuum | PlantVacuum | MilkFlow | ArmPosition | CowAtStall
