"""What really happened, in the tables that ``quietclaw score`` reads."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl
from numpy.typing import NDArray

from tests.worlds.events import AirEvent
from tests.worlds.plant import RATE_HZ, Dip
from tests.worlds.schedule import Milking, Visit
from tests.worlds.support import SupportSpell

FloatArray = NDArray[np.float64]
TIME = pl.Datetime("us", "UTC")


class Clock:
    """Turns seconds since the start of a capture into instants."""

    def __init__(self, start_ms: int) -> None:
        self._start = datetime.fromtimestamp(start_ms / 1000.0, UTC)

    def at(self, seconds: float) -> datetime:
        return self._start + timedelta(seconds=float(seconds))


def event_row(clock: Clock, event: AirEvent, run: tuple[FloatArray, ...]) -> dict[str, object]:
    """Return the true row of one event from its stall's run: (vacuum, twin's vacuum, air a sample, milk)."""
    vacuum, twin, air, milk = run
    first = int(event.start_s * RATE_HZ)
    last = min(int((event.end_s + 0.3) * RATE_HZ) + 1, vacuum.size)
    return {
        "stall": event.stall,
        "kind": event.kind,
        "start_at": clock.at(event.start_s),
        "end_at": clock.at(event.end_s),
        "depth_kpa": float(np.max(twin[first:last] - vacuum[first:last])),
        "air_l": float(air[first:last].sum()),
        "cause": event.cause,
        "cause_best": event.cause_best,
        "phase": event.phase,
        "flow_kg_min": float(milk[max(first - 1, 0)]),
        "pulses": len(event.openings),
    }


def milking_row(clock: Clock, visit: Visit, milking: Milking, milk: FloatArray) -> dict[str, object]:
    """Return the true row of one milking; a unit that fell off and stayed off ends there."""
    first, last = int(milking.on_s * RATE_HZ), int(milking.shut_s * RATE_HZ) + 200
    return {
        "stall": visit.stall,
        "cow": visit.cow,
        "start_at": clock.at(milking.on_s),
        "end_at": clock.at(milking.end_s),
        "yield_kg": float(milk[first:last].sum() / RATE_HZ / 60.0),
        "ending": str(milking.ending),
    }


def support_row(clock: Clock, spell: SupportSpell) -> dict[str, object]:
    """Return the true row of a spell without proper support."""
    return {
        "stall": spell.stall,
        "start_at": clock.at(spell.start_s),
        "end_at": clock.at(spell.end_s),
        "state": spell.state,
        "support_share": spell.share,
    }


def plant_row(clock: Clock, dip: Dip) -> dict[str, object]:
    """Return the true row of a fall of the whole plant."""
    return {"start_at": clock.at(dip.start_s), "end_at": clock.at(dip.end_s), "depth_kpa": dip.depth_kpa}


SCHEMAS = {
    "truth_events": {
        "stall": pl.Int64,
        "kind": pl.String,
        "start_at": TIME,
        "end_at": TIME,
        "depth_kpa": pl.Float64,
        "air_l": pl.Float64,
        "cause": pl.String,
        "cause_best": pl.Float64,
        "phase": pl.String,
        "flow_kg_min": pl.Float64,
        "pulses": pl.Int64,
    },
    "truth_milkings": {
        "stall": pl.Int64,
        "cow": pl.String,
        "start_at": TIME,
        "end_at": TIME,
        "yield_kg": pl.Float64,
        "ending": pl.String,
    },
    "truth_support": {
        "stall": pl.Int64,
        "start_at": TIME,
        "end_at": TIME,
        "state": pl.String,
        "support_share": pl.Float64,
    },
    "truth_plant": {"start_at": TIME, "end_at": TIME, "depth_kpa": pl.Float64},
}


def write_truth(out: Path, parlor: str, tables: dict[str, list[dict[str, object]]]) -> None:
    """Write one Parquet file a table, in order of time."""
    for name, schema in SCHEMAS.items():
        frame = pl.DataFrame(tables.get(name, []), schema=schema).sort("start_at")
        frame.select(pl.lit(parlor).alias("parlor"), pl.all()).write_parquet(out / f"{name}.parquet")
