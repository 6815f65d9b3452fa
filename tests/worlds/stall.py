"""One stall from plan to messages and truth, within what the whole site shares."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from tests.worlds import pulsation, sensors, truth
from tests.worlds.arm import draw_arm
from tests.worlds.claw_plug import draw_plug, run_plug
from tests.worlds.claw_quasi import draw_quasi, run_quasi
from tests.worlds.plan import Order, Plan
from tests.worlds.plant import RATE_HZ, neighbour_dips, plant_vacuum
from tests.worlds.ranges import draw
from tests.worlds.slugs import draw_slugging, slug_kpa
from tests.worlds.track import Track, blank, lay_event, lay_milking
from tests.worlds.wash import WashBeat, draw_beat, lay_wash

FloatArray = NDArray[np.float64]
Tables = dict[str, list[dict[str, Any]]]

STEP_S: Final = 1.0 / RATE_HZ
EPOCH_MS: Final = 1_772_425_800_000
"""2026-03-02T04:30Z, the start of seed 0; each seed is a day of its own."""
DAY_MS: Final = 86_400_000


@dataclass(frozen=True, slots=True)
class Site:
    """What all stalls share: barometer, pulsator setting, vacuum, wash, and the start of time."""

    ambient_kpa: float
    pulsator: pulsation.Pulsator
    level_kpa: FloatArray
    missing_kpa: dict[int, FloatArray]
    beat: WashBeat | None
    start_ms: int


def draw_site(rng: np.random.Generator, order: Order, plan: Plan) -> Site:
    """Draw a site."""
    seconds = np.arange(int(order.minutes * 60 * RATE_HZ)) / RATE_HZ
    ranges = order.ranges
    return Site(
        ambient_kpa=draw(rng, ranges.ambient_kpa),
        pulsator=pulsation.draw_pulsator(rng, ranges),
        level_kpa=plant_vacuum(rng, ranges, seconds, plan.dips),
        missing_kpa=neighbour_dips(rng, seconds, order.stalls, plan.events),
        beat=draw_beat(rng, plan.wash) if plan.wash else None,
        start_ms=EPOCH_MS + order.seed * DAY_MS,
    )


def make_stall(
    rng: np.random.Generator, order: Order, plan: Plan, site: Site, *, stall: int
) -> tuple[list[sensors.Row], Tables]:
    """Return the messages and the true rows of one stall."""
    visits = plan.visits[stall]
    phase = pulsation.beat(rng, site.pulsator, site.level_kpa.size)
    track = _track(rng, order, site, stall, phase=phase)
    for visit in visits:
        if visit.milking:
            lay_milking(rng, track, visit)
    if site.beat:
        lay_wash(rng, track, site.beat)
    events = [event for event in plan.events if event.stall == stall]
    for index, event in enumerate(events):
        lay_event(rng, track, event, index)
    if order.world.slugging:
        track.slug_kpa[:] = slug_kpa(rng, draw_slugging(rng), track.flow_kg_min)
    run = _physics(rng, order, track, site.ambient_kpa)
    clock = truth.Clock(site.start_ms)
    tables: Tables = {
        "truth_events": [truth.event_row(clock, event, run) for event in events],
        "truth_milkings": [truth.milking_row(clock, v, v.milking, run[3]) for v in visits if v.milking],
    }
    spells = [spell for spell in plan.spells if spell.stall == stall]
    arm = draw_arm(rng, order.ranges, visits, (spells, plan.unrest[stall], phase))
    return _messages(rng, order, site, (stall, track, run, arm, visits)), tables


def _track(rng: np.random.Generator, order: Order, site: Site, stall: int, *, phase: FloatArray) -> Track:
    line = site.level_kpa - rng.uniform(0.0, 0.6) - site.missing_kpa.get(stall, 0.0)
    stroke = pulsation.stroke_l_s(rng, order.ranges, site.pulsator, phase)
    return blank(line, stroke, pulsation.ripple_kpa(rng, order.ranges, site.pulsator, phase))


def _physics(rng: np.random.Generator, order: Order, track: Track, ambient: float) -> tuple[FloatArray, ...]:
    """Return vacuum, twin's vacuum, air through gaps and milk of the claw this stall has."""
    if rng.random() < order.world.quasi_share:
        return run_quasi(draw_quasi(rng, order.ranges, ambient), track, STEP_S, ambient)
    return run_plug(draw_plug(rng, order.ranges, ambient), track, STEP_S, ambient)


def _messages(rng: np.random.Generator, order: Order, site: Site, made: tuple[Any, ...]) -> list[sensors.Row]:
    stall, track, run, arm, visits = made
    ranges = order.ranges
    line = sensors.Line(site.start_ms, draw(rng, ranges.clock_ms), ranges.lost_share)
    topic = f"milking/{order.parlor}/stall/{stall}"
    air_mm2 = track.gap_mm2 + np.where(track.valve > 0, track.leak_mm2, 0.0)
    kpa = sensors.read_vacuum(rng, ranges, run[0])
    return [
        *sensors.vacuum_rows(rng, line, f"{topic}/vacuum", kpa),
        *sensors.flow_rows(rng, line, f"{topic}/flow", sensors.read_flow(rng, run[3], air_mm2)),
        *sensors.arm_rows(rng, line, f"{topic}/arm", arm),
        *sensors.cow_rows(rng, line, f"{topic}/cow", visits),
    ]


def plant_messages(rng: np.random.Generator, order: Order, site: Site) -> list[sensors.Row]:
    """Return the messages of the sensor near the receiver."""
    line = sensors.Line(site.start_ms, draw(rng, order.ranges.clock_ms), order.ranges.lost_share)
    kpa = sensors.read_vacuum(rng, order.ranges, site.level_kpa)
    return sensors.vacuum_rows(rng, line, f"milking/{order.parlor}/plant/vacuum", kpa)
