"""Make a capture of one world, and the truth about it.

Run ``python -m tests.worlds.make NAME --seed N --out DIR``; nothing of the detector or of the simulator is used.
"""

from __future__ import annotations

import argparse
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
import polars as pl
from numpy.typing import NDArray

from tests.worlds import events as ev
from tests.worlds import pulsation, sensors, truth
from tests.worlds.arm import draw_arm
from tests.worlds.claw_plug import draw_plug, run_plug
from tests.worlds.claw_quasi import draw_quasi, run_quasi
from tests.worlds.plant import RATE_HZ, Dip, draw_dips, neighbour_dips, plant_vacuum
from tests.worlds.ranges import SETS, Ranges, draw
from tests.worlds.schedule import Visit, draw_platform, draw_visits
from tests.worlds.support import SupportSpell, draw_support
from tests.worlds.track import Track, blank, lay_event, lay_milking

FloatArray = NDArray[np.float64]

EPOCH_MS: Final = 1_772_425_800_000
"""2026-03-02T04:30Z, the start of seed 0; each seed is a day of its own."""
DAY_MS: Final = 86_400_000
CAPTURE: Final = {"recv_ns": pl.Int64, "topic": pl.String, "payload": pl.Binary}


@dataclass(frozen=True, slots=True)
class World:
    """What makes one world differ in form from another."""

    quasi_share: float = 0.0
    flutter_share: float = 0.0
    slips: bool = True


WORLDS: Final = {
    "quasi_steady": World(quasi_share=1.0),
    "milk_plug": World(),
}


@dataclass(frozen=True, slots=True)
class Order:
    """What is to be made."""

    name: str
    seed: int
    stalls: int = 24
    minutes: float = 60.0
    ranges: str = "tune"
    plant_sensor: bool = True

    @property
    def world(self) -> World:
        return WORLDS[self.name]

    @property
    def parlor(self) -> str:
        return self.name.replace("_", "-")


@dataclass(frozen=True, slots=True)
class Plan:
    """What will happen, before any physics."""

    visits: dict[int, list[Visit]]
    spells: list[SupportSpell]
    unrest: dict[int, list[tuple[float, float]]]
    events: list[ev.AirEvent]
    dips: list[Dip]


def make_plan(rng: np.random.Generator, order: Order, ranges: Ranges) -> Plan:
    """Draw visits, support, unrest, dips, and the events that follow from them."""
    platform = draw_platform(rng, ranges, order.stalls, order.minutes * 60.0)
    stalls = range(1, order.stalls + 1)
    visits = {stall: draw_visits(rng, ranges, platform, stall) for stall in stalls}
    milked = [v for stall in stalls for v in visits[stall] if v.milking]
    spells = draw_support(rng, ranges, milked)
    unrest = {stall: _unrest(rng, visits[stall]) for stall in stalls}
    dips = draw_dips(rng, order.minutes)
    whole = np.arange(int(order.minutes * 60.0), dtype=np.float64)
    deficit = sum((dip.shape(whole) for dip in dips), np.zeros(whole.size))
    bad = rng.choice(order.stalls, size=max(1, round(0.08 * order.stalls)), replace=False) + 1
    fault = {stall: float(rng.uniform(4.0, 8.0)) if stall in bad else 1.0 for stall in stalls}
    around = ev.Circumstances(unrest, fault, deficit)
    rates = [(visit, *ev.excess_rates(visit, spells, around)) for visit in milked]
    slips = ev.draw_slips(rng, ranges, rates, order.world.flutter_share) if order.world.slips else []
    wide = [e for v in milked for e in ev.wide_openings(rng, v)] if order.world.slips else []
    apart = [s for s in slips if not any(_touch(s, w) for w in wide)]
    return Plan(visits, spells, unrest, sorted([*apart, *wide], key=lambda e: e.start_s), dips)


def _touch(one: ev.AirEvent, other: ev.AirEvent) -> bool:
    return one.stall == other.stall and one.start_s < other.end_s + 6.0 and other.start_s < one.end_s + 6.0


def _unrest(rng: np.random.Generator, visits: list[Visit]) -> list[tuple[float, float]]:
    """Return when the cows of a stall tread and kick: restless ones often, others now and then, and at fall-offs."""
    spans = []
    for visit in visits:
        milking = visit.milking
        if milking is None:
            continue
        for _ in range(rng.poisson(4.0 if milking.restless else 0.25)):
            start = rng.uniform(milking.on_s + 5.0, milking.shut_s)
            spans.append((start, start + rng.uniform(1.5, 6.0)))
        if milking.restless:
            spans += [(hang.start_s - 0.7, hang.start_s + 1.5) for hang in milking.hangs]
    return sorted(spans)


def make_world(order: Order, out: Path) -> None:
    """Write ``capture.parquet``, the truth and ``world.json`` into a folder."""
    ranges = SETS[order.ranges]
    rng = np.random.default_rng([order.seed, list(WORLDS).index(order.name), list(SETS).index(order.ranges)])
    plan = make_plan(rng, order, ranges)
    ambient = draw(rng, ranges.ambient_kpa)
    pulsator = pulsation.draw_pulsator(rng, ranges)
    size = int(order.minutes * 60 * RATE_HZ)
    seconds = np.arange(size) / RATE_HZ
    level = plant_vacuum(rng, ranges, seconds, plan.dips)
    missing = neighbour_dips(rng, seconds, order.stalls, plan.events)
    start_ms = EPOCH_MS + order.seed * DAY_MS
    clock = truth.Clock(start_ms)
    rows: list[sensors.Row] = []
    tables: dict[str, list[dict[str, object]]] = {
        "truth_support": [truth.support_row(clock, s) for s in plan.spells],
        "truth_plant": [truth.plant_row(clock, d) for d in plan.dips],
    }
    for stall in range(1, order.stalls + 1):
        own = np.random.default_rng(rng.integers(2**63))
        line = level - own.uniform(0.0, 0.6) - missing.get(stall, 0.0)
        phase = pulsation.beat(own, pulsator, size)
        stroke = pulsation.stroke_l_s(own, ranges, pulsator, phase)
        track = blank(line, stroke, pulsation.ripple_kpa(own, ranges, pulsator, phase))
        _stall(own, order, plan, (stall, track, phase, ambient), (clock, start_ms, rows, tables))
    if order.plant_sensor:
        read = sensors.read_vacuum(rng, ranges, level)
        device = sensors.Line(start_ms, draw(rng, ranges.clock_ms), ranges.lost_share)
        rows += sensors.vacuum_rows(rng, device, f"milking/{order.parlor}/plant/vacuum", read)
    _write(order, out, rows, tables, ambient)


def _stall(own, order: Order, plan: Plan, place, sink) -> None:
    """Run one stall's physics, and hand its messages and truth to the sink."""
    stall, track, phase, ambient = place
    clock, start_ms, rows, tables = sink
    ranges, visits = SETS[order.ranges], plan.visits[stall]
    events = [event for event in plan.events if event.stall == stall]
    for visit in visits:
        if visit.milking:
            lay_milking(own, track, visit)
    for index, event in enumerate(events):
        lay_event(own, track, event, index)
    run = _run(own, order, track, ambient)
    tables.setdefault("truth_events", []).extend(truth.event_row(clock, event, run) for event in events)
    tables.setdefault("truth_milkings", []).extend(
        truth.milking_row(clock, visit, visit.milking, run[3]) for visit in visits if visit.milking
    )
    spells = [spell for spell in plan.spells if spell.stall == stall]
    arm = draw_arm(own, ranges, visits, (spells, plan.unrest[stall], phase))
    device = sensors.Line(start_ms, draw(own, ranges.clock_ms), ranges.lost_share)
    topic = f"milking/{order.parlor}/stall/{stall}"
    rows += sensors.vacuum_rows(own, device, f"{topic}/vacuum", sensors.read_vacuum(own, ranges, run[0]))
    meter = sensors.read_flow(own, run[3], track.gap_mm2 + np.where(track.valve > 0, track.leak_mm2, 0.0))
    rows += sensors.flow_rows(own, device, f"{topic}/flow", meter)
    rows += sensors.arm_rows(own, device, f"{topic}/arm", arm)
    rows += sensors.cow_rows(own, device, f"{topic}/cow", visits)


def _run(own: np.random.Generator, order: Order, track: Track, ambient: float) -> tuple[FloatArray, ...]:
    ranges = SETS[order.ranges]
    if own.random() < order.world.quasi_share:
        return run_quasi(draw_quasi(own, ranges, ambient), track, 1.0 / RATE_HZ, ambient)
    return run_plug(draw_plug(own, ranges, ambient), track, 1.0 / RATE_HZ, ambient)


def _write(order: Order, out: Path, rows: list[sensors.Row], tables, ambient: float) -> None:
    out.mkdir(parents=True, exist_ok=True)
    frame = pl.DataFrame(rows, schema=CAPTURE, orient="row").sort("recv_ns", maintain_order=True)
    frame.write_parquet(out / "capture.parquet", compression="zstd", row_group_size=50_000)
    truth.write_truth(out, order.parlor, tables)
    altitude = 44_330.8 * (1.0 - (ambient / 101.325) ** 0.190263)
    told = {
        "world": order.name,
        "seed": order.seed,
        "ranges": order.ranges,
        "altitude_m": round(max(altitude, 0.0)),
    }
    (out / "world.json").write_text(json.dumps(told | {"ambient_kpa": ambient}, indent=1) + "\n")


def main(arguments: list[str] | None = None) -> None:
    """Read the command line and make one capture."""
    parser = argparse.ArgumentParser(description="Make a capture of one world, and the truth about it.")
    parser.add_argument("name", choices=sorted(WORLDS))
    parser.add_argument("--seed", type=int, required=True)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--stalls", type=int, default=24)
    parser.add_argument("--minutes", type=float, default=60.0)
    parser.add_argument("--ranges", choices=sorted(SETS), default="tune")
    parser.add_argument("--no-plant-sensor", action="store_true")
    told = parser.parse_args(arguments)
    order = Order(told.name, told.seed, told.stalls, told.minutes, told.ranges, not told.no_plant_sensor)
    make_world(order, told.out)


if __name__ == "__main__":
    main()
