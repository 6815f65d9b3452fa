"""The vocabulary of alerts."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Final

PLANT: Final = 0
"""The stall number that stands for the whole parlor."""


class AlertKind(StrEnum):
    """What needs a person, worst first: of several at one stall the first is told."""

    PLANT_LOW = "plant_low"
    """The vacuum of the whole plant has fallen."""
    MANY = "many"
    """Several stalls at once: one cause is likelier than many."""
    UNIT_OFF = "unit_off"
    """The unit is off its teats."""
    LEAK = "leak"
    """Air goes on entering."""
    SLIPPING = "slipping"
    """The unit slips again and again in one milking."""
    UNSUPPORTED = "unsupported"
    """The arm does not carry the unit."""
    SILENT = "silent"
    """The stall's vacuum is not heard."""
    TECHNICIAN = "technician"
    """A condition for a technician."""


class Severity(StrEnum):
    """How soon a person is needed."""

    CRITICAL = "critical"
    """At once."""
    WARNING = "warning"
    """While the cow is there."""
    NOTICE = "notice"
    """After milking."""


SEVERITY: Final = {
    AlertKind.PLANT_LOW: Severity.CRITICAL,
    AlertKind.MANY: Severity.CRITICAL,
    AlertKind.UNIT_OFF: Severity.CRITICAL,
    AlertKind.LEAK: Severity.WARNING,
    AlertKind.SLIPPING: Severity.WARNING,
    AlertKind.UNSUPPORTED: Severity.WARNING,
    AlertKind.SILENT: Severity.NOTICE,
    AlertKind.TECHNICIAN: Severity.NOTICE,
}
RANK: Final = {kind: rank for rank, kind in enumerate(AlertKind)}
URGENCY: Final = {severity: rank for rank, severity in enumerate(Severity)}


class Standing(StrEnum):
    """How an alert stands."""

    SHOWN = "shown"
    """It calls."""
    WAITING = "waiting"
    """It waits in the list: enough calls in this rotation."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing amiss at one stall (0: the plant) since an instant.

    ``value`` is its figure (litres, slips, kPa, seconds; the kind says which), ``detail`` words from
    outside, such as the evidence of a condition.
    """

    stall: int
    kind: AlertKind
    since_ns: int
    value: float = 0.0
    detail: str = ""


@dataclass(frozen=True, slots=True)
class Alert:
    """One alert as a person sees it; ``stalls`` are those it stands for, ``taken_by`` who looks after it."""

    alert_id: str
    stall: int
    kind: AlertKind
    severity: Severity
    standing: Standing
    since_ns: int
    value: float
    detail: str
    stalls: tuple[int, ...]
    taken_by: str | None


@dataclass(frozen=True, slots=True)
class AlertRules:
    """When something is told, and how often.

    Attributes
    ----------
    off_s:
        The vacuum is under half of the quiet one for so long: the unit is off [s] (engineering choice;
        slips reseal in under 3 s, most in under 1 s).
    leak_s:
        Air enters without a pause for so long [s] (engineering choice).
    slips, slips_within_s:
        So many slips of one milking within this [s] (engineering choice).
    unsupported_s:
        The weight is not carried for so long [s] (proposal: 10 s with hysteresis).
    silent_s:
        An attached unit's vacuum is missing for so long [s] (engineering choice).
    dip_s:
        The plant is low for so long [s] (engineering choice).
    notice_s:
        A condition for the technician stays in the list for so long [s] (engineering choice: a shift).
    clear_s:
        What was not found for so long is cleared [s] (engineering choice).
    per_rotation, rotation_s, reserve:
        So many calls at most within a rotation [s], of which ``reserve`` are kept for critical ones
        (engineering choice: a person in the pit can look after about one unit a minute).
    many_share, many_least, many_within_s:
        Stalls that are found within this [s] are one thing when they are at least this share of all,
        and at least so many (proposal: a system event touches 15 % of the stalls and at least 3).
    """

    off_s: float = 1.0
    leak_s: float = 3.0
    slips: int = 3
    slips_within_s: float = 60.0
    unsupported_s: float = 10.0
    silent_s: float = 10.0
    dip_s: float = 2.0
    notice_s: float = 8 * 3600.0
    clear_s: float = 3.0
    per_rotation: int = 10
    rotation_s: float = 480.0
    reserve: int = 3
    many_share: float = 0.15
    many_least: int = 4
    many_within_s: float = 10.0
