"""What is scored, as plain records: the same for the truth's side and the history's side.

A figure that one side does not tell is None.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class AirSpell:
    """One true or found air event; only a found one has been detected and carries confidence and shares."""

    parlor: str
    stall: int
    start_ns: int
    end_ns: int
    kind: str | None = None
    depth_kpa: float | None = None
    air_l: float | None = None
    cause: str | None = None
    phase: str | None = None
    quarter: str | None = None
    detected_ns: int | None = None
    cause_share: float | None = None
    confidence: float | None = None


@dataclass(frozen=True, slots=True)
class MilkingSpell:
    """One true or found milking."""

    parlor: str
    stall: int
    start_ns: int
    end_ns: int
    yield_kg: float | None = None


@dataclass(frozen=True, slots=True)
class SupportSpell:
    """One true or found stretch in which a unit was not carried."""

    parlor: str
    stall: int
    start_ns: int
    end_ns: int
    state: str | None = None
    support_share: float | None = None
    detected_ns: int | None = None


@dataclass(frozen=True, slots=True)
class PlantSpell:
    """One true or found dip of the whole plant; its stall is 0."""

    parlor: str
    start_ns: int
    end_ns: int
    stall: int = 0


@dataclass(frozen=True, slots=True)
class Record:
    """Everything of one side, the truth's or the history's.

    A table is None when its side does not tell; ``missing`` names what was looked for in vain, in words for a
    person.
    """

    events: tuple[AirSpell, ...] | None = ()
    milkings: tuple[MilkingSpell, ...] | None = ()
    support: tuple[SupportSpell, ...] | None = ()
    plant: tuple[PlantSpell, ...] | None = ()
    missing: tuple[str, ...] = ()
