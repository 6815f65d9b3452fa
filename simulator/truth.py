"""What really happened: every admission of air, milking, lapse of support, dip of the plant and fault.

Truth is kept apart from the messages and written to its own files only; no message carries any of it.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path
from typing import Final

import polars as pl

from simulator.arm import SupportState
from simulator.claw import FloatArray
from simulator.slips import Cause, EventKind, Opening
from simulator.udder import QUARTERS


class Phase(StrEnum):
    """Where in the milk-flow curve an instant lies, in the words of the truth tables."""

    LET_DOWN = "let_down"
    PEAK = "peak"
    DECLINE = "decline"
    LOW_FLOW = "low_flow"


SQUAWK_PAUSE_S: Final = 5.0
"""Openings of a cup with shorter pauses than this are one event [s]."""


@dataclass(frozen=True, slots=True)
class Onset:
    """What was so when air began to come in: milk flow, phase, quarter (None: whole unit), cow."""

    flow_kg_min: float
    phase: Phase
    quarter: int | None
    cow: str


@dataclass(slots=True)
class AirSpan:
    """One admission of air while it happens; a train of squawks is one span.

    Parameters
    ----------
    kind, cause
        What it is, and why.
    openings
        The openings, in order of time.
    onset
        What was so at its beginning.
    until_s
        End [s] if it is not the last reseal.
    least_kpa
        The span counts only if the claw vacuum at the onset exceeds this [kPa].
    """

    kind: EventKind
    cause: Cause
    openings: list[Opening]
    onset: Onset
    until_s: float | None = None
    least_kpa: float = 0.0
    air_l: float = 0.0
    peak_air_l_min: float = 0.0
    base_kpa: float | None = None
    lowest_kpa: float = float("inf")
    void: bool = False

    @property
    def start_s(self) -> float:
        """When the first opening begins [s]."""
        return self.openings[0].start_s

    @property
    def end_s(self) -> float:
        """When the last opening is sealed again [s]; infinite while that is unknown."""
        return self.until_s if self.until_s is not None else max(o.end_s for o in self.openings)

    def is_settled(self, at_s: float) -> bool:
        """Tell whether the span is over at ``at_s`` [s] and no squawk can be added to it."""
        pause = SQUAWK_PAUSE_S if self.kind is EventKind.LINER_SLIP else 0.0
        return not self.void and self.end_s + pause <= at_s

    def cut(self, at_s: float) -> None:
        """Let the span end at ``at_s`` [s] at the latest: the unit is off or shut."""
        self.openings = [o for o in self.openings if o.start_s < at_s] or self.openings[:1]
        self.until_s = min(self.end_s, max(at_s, self.start_s))

    def measure(self, vacuum_kpa: FloatArray, gap_l_min: FloatArray, t_s: FloatArray) -> None:
        """Take in one second of the noise-free claw vacuum [kPa] and gap air [L/min] at times ``t_s`` [s].

        ``vacuum_kpa`` begins one second before ``t_s``, so that the vacuum before the onset is known.
        """
        steps = t_s.size
        if self.start_s > t_s[-1] or self.end_s < t_s[0] or self.void:
            return
        first = int(t_s.searchsorted(self.start_s))
        if self.base_kpa is None:
            self.base_kpa = float(vacuum_kpa[first : first + steps].mean())
            self.void = float(vacuum_kpa[first + steps - 1]) < self.least_kpa
        last = int(t_s.searchsorted(self.end_s, side="right"))
        if last > first:
            self.air_l += float(gap_l_min[first:last].sum()) * (t_s[1] - t_s[0]) / 60.0
            self.peak_air_l_min = max(self.peak_air_l_min, float(gap_l_min[first:last].max()))
            self.lowest_kpa = min(self.lowest_kpa, float(vacuum_kpa[steps + first : steps + last].min()))


@dataclass(slots=True)
class Truth:
    """The truth tables of one record; complete when the messages have been read to their end.

    Parameters
    ----------
    parlor
        Parlor slug of the rows.
    start_ns
        Instant of the record's second 0 [ns since 1970-01-01 UTC].
    """

    parlor: str
    start_ns: int
    events: list[dict[str, object]] = field(default_factory=list)
    milkings: list[dict[str, object]] = field(default_factory=list)
    support: list[dict[str, object]] = field(default_factory=list)
    plant: list[dict[str, object]] = field(default_factory=list)
    conditions: list[dict[str, object]] = field(default_factory=list)

    def instant_us(self, at_s: float) -> int:
        """Return a second of the record as microseconds since 1970-01-01 UTC."""
        return (self.start_ns + round(at_s * 1e9)) // 1000

    def add_event(self, span: AirSpan, stall: int) -> None:
        """Write a finished span down."""
        depth = 0.0 if span.base_kpa is None else span.base_kpa - span.lowest_kpa
        quarter = span.onset.quarter
        self.events.append(
            {
                "parlor": self.parlor,
                "stall": stall,
                "kind": span.kind.value,
                "start_at": self.instant_us(span.start_s),
                "end_at": self.instant_us(span.end_s),
                "air_l": span.air_l,
                "depth_kpa": max(0.0, depth),
                "peak_air_l_min": span.peak_air_l_min,
                "pulses": len(span.openings) if span.kind is EventKind.LINER_SLIP else 1,
                "flow_kg_min": span.onset.flow_kg_min,
                "phase": span.onset.phase.value,
                "cause": span.cause.value,
                "quarter": None if quarter is None else QUARTERS[quarter],
                "cow": span.onset.cow,
            }
        )

    def add_milking(
        self, stall: int, cow: str, span_s: tuple[float, float], figures: tuple[float, tuple[int, int, int]]
    ) -> None:
        """Write a milking down; ``figures`` are yield [kg] and (slips, fall-offs, reattaches)."""
        slips, fall_offs, reattaches = figures[1]
        self.milkings.append(
            {
                "parlor": self.parlor,
                "stall": stall,
                "cow": cow,
                "start_at": self.instant_us(span_s[0]),
                "end_at": self.instant_us(span_s[1]),
                "yield_kg": figures[0],
                "slips": slips,
                "fall_offs": fall_offs,
                "reattaches": reattaches,
            }
        )

    def add_support(self, stall: int, span_s: tuple[float, float], state: SupportState, share: float) -> None:
        """Write a lapse of support down; ``share`` is what the arm still carried of the hose, 0 to 1."""
        self.support.append(
            {
                "parlor": self.parlor,
                "stall": stall,
                "start_at": self.instant_us(span_s[0]),
                "end_at": self.instant_us(span_s[1]),
                "state": state.value,
                "support_share": share,
            }
        )

    def add_plant(self, span_s: tuple[float, float], depth_kpa: float) -> None:
        """Write a dip of the plant down."""
        self.plant.append(
            {
                "parlor": self.parlor,
                "start_at": self.instant_us(span_s[0]),
                "end_at": self.instant_us(span_s[1]),
                "depth_kpa": depth_kpa,
            }
        )

    def add_condition(self, stall: int, span_s: tuple[float, float], condition: str, size: float) -> None:
        """Write down what a technician should have found; ``size`` is in the unit of its fault."""
        self.conditions.append(
            {
                "parlor": self.parlor,
                "stall": stall,
                "start_at": self.instant_us(span_s[0]),
                "end_at": self.instant_us(span_s[1]),
                "condition": condition,
                "size": size,
            }
        )

    def tables(self) -> dict[str, pl.DataFrame]:
        """Return the tables by file stem, sorted by time and stall."""
        rows = {
            "truth_events": (self.events, _EVENTS),
            "truth_milkings": (self.milkings, _MILKINGS),
            "truth_support": (self.support, _SUPPORT),
            "truth_plant": (self.plant, _PLANT),
            "truth_conditions": (self.conditions, _CONDITIONS),
        }
        return {
            stem: pl.DataFrame(data, schema=schema).sort([c for c in ("start_at", "stall") if c in schema])
            for stem, (data, schema) in rows.items()
        }

    def write(self, folder: Path) -> None:
        """Write the tables as Parquet files into a folder, which is made if it is missing."""
        folder.mkdir(parents=True, exist_ok=True)
        for stem, table in self.tables().items():
            table.write_parquet(folder / f"{stem}.parquet")


_Schema = dict[str, pl.DataType | type[pl.DataType]]
_TIME = pl.Datetime("us")
_EVENTS: _Schema = {
    "parlor": pl.String,
    "stall": pl.Int32,
    "kind": pl.String,
    "start_at": _TIME,
    "end_at": _TIME,
    "air_l": pl.Float64,
    "depth_kpa": pl.Float64,
    "peak_air_l_min": pl.Float64,
    "pulses": pl.Int32,
    "flow_kg_min": pl.Float64,
    "phase": pl.String,
    "cause": pl.String,
    "quarter": pl.String,
    "cow": pl.String,
}
_MILKINGS: _Schema = {
    "parlor": pl.String,
    "stall": pl.Int32,
    "cow": pl.String,
    "start_at": _TIME,
    "end_at": _TIME,
    "yield_kg": pl.Float64,
    "slips": pl.Int32,
    "fall_offs": pl.Int32,
    "reattaches": pl.Int32,
}
_SUPPORT: _Schema = {
    "parlor": pl.String,
    "stall": pl.Int32,
    "start_at": _TIME,
    "end_at": _TIME,
    "state": pl.String,
    "support_share": pl.Float64,
}
_PLANT: _Schema = {"parlor": pl.String, "start_at": _TIME, "end_at": _TIME, "depth_kpa": pl.Float64}
_CONDITIONS: _Schema = {
    "parlor": pl.String,
    "stall": pl.Int32,
    "start_at": _TIME,
    "end_at": _TIME,
    "condition": pl.String,
    "size": pl.Float64,
}
