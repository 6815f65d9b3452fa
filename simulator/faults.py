"""Faults of the parlor on a schedule: what is wrong, where, from when to when, how badly."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from typing import Final


class FaultKind(StrEnum):
    """What can go wrong; the meaning of a fault's ``size`` stands behind each."""

    BAD_LINER = "bad_liner"
    """Loosens every cup of the stall by ``size`` [N]."""
    BLOCKED_VENT = "blocked_vent"
    """Leaves ``size`` (0..1) of the vent's area."""
    STEADY_LEAK = "steady_leak"
    """Adds a hole of ``size`` [mm] diameter."""
    LEAKY_SHUT_OFF = "leaky_shut_off"
    """The shut-off valve passes air through a hole of ``size`` [mm] diameter until the arm has pulled."""
    ARM_UNSUPPORTED = "arm_unsupported"
    """The arm carries only ``size`` (0..1) of what it should."""
    EARLY_ARM = "early_arm"
    """The arm pulls ``size`` [s] after the shut-off, whatever the vacuum."""
    PULSATION_OFF = "pulsation_off"
    """The stall's pulsator stands still; ``size`` is unused."""
    PULSATION_RATE = "pulsation_rate"
    """The stall's pulsator runs at ``size`` times its rate."""
    FROZEN_SENSOR = "frozen_sensor"
    """The stall's vacuum sensor repeats its last value; ``size`` is unused."""
    SENSOR_OFFSET = "sensor_offset"
    """The stall's vacuum sensor reads ``size`` [kPa] too high."""
    PLANT_DIP = "plant_dip"
    """The plant vacuum falls by ``size`` [kPa]; ``stall`` must be None."""
    LOSS_BURST = "loss_burst"
    """A share ``size`` (0..1) of all messages is lost; of one stall's when a stall is named."""
    DEVICE_RESTART = "device_restart"
    """The stall's device restarts at ``from_s``: sequence numbers begin at 0 under a new boot name."""


CONDITION_OF: Final = {
    FaultKind.FROZEN_SENSOR: "sensor_frozen",
    FaultKind.SENSOR_OFFSET: "sensor_zero_off",
    FaultKind.BLOCKED_VENT: "vent_blocked",
    FaultKind.LEAKY_SHUT_OFF: "slow_vacuum_decay",
    FaultKind.PULSATION_OFF: "pulsation_off",
    FaultKind.PULSATION_RATE: "pulsation_off",
    FaultKind.STEADY_LEAK: "steady_leak",
}
"""What a technician would call a fault, in the words of the truth tables; the other kinds are not his."""


@dataclass(frozen=True, slots=True)
class Fault:
    """One scheduled fault.

    Parameters
    ----------
    kind
        What is wrong.
    stall
        Stall number from 1, or None for all stalls (or the plant).
    from_s, to_s
        Half-open span [s] of the record.
    size
        How badly, in the unit of the kind.
    """

    kind: FaultKind
    stall: int | None
    from_s: float
    to_s: float
    size: float = 1.0

    def __post_init__(self) -> None:
        if self.to_s <= self.from_s:
            raise ValueError(f"fault {self.kind} ends at {self.to_s} s, not after its start {self.from_s} s")


class FaultBook:
    """Looks up which faults stand at an instant."""

    def __init__(self, faults: Iterable[Fault]) -> None:
        self._by_place: dict[tuple[FaultKind, int | None], list[Fault]] = {}
        for fault in faults:
            self._by_place.setdefault((fault.kind, fault.stall), []).append(fault)

    def size(self, kind: FaultKind, stall: int | None, at_s: float) -> float | None:
        """Return the size of the fault of a kind that stands at a stall at an instant [s], or None."""
        for place in (stall, None) if stall is not None else (None,):
            for fault in self._by_place.get((kind, place), ()):
                if fault.from_s <= at_s < fault.to_s:
                    return fault.size
        return None

    def of_kind(self, kind: FaultKind) -> list[Fault]:
        """Return all faults of a kind, in order of start."""
        found = [fault for (own, _), faults in self._by_place.items() if own is kind for fault in faults]
        return sorted(found, key=lambda fault: fault.from_s)
