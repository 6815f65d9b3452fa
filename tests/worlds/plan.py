"""What is to be made, and what will happen in it before any physics."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any, Final

import numpy as np

from tests.worlds import events as ev
from tests.worlds.plant import Dip, draw_dips
from tests.worlds.ranges import SETS, Ranges
from tests.worlds.schedule import Visit, draw_platform, draw_visits
from tests.worlds.support import SupportSpell, draw_support

FAULTY_SHARE: Final = 0.08
"""Stalls whose liner is bad."""


@dataclass(frozen=True, slots=True)
class World:
    """What makes one world differ in form from another."""

    quasi_share: float = 0.0
    """Stalls without inertia; the others have a milk plug."""
    flutter_share: float = 0.0
    slips: bool = True
    slugging: bool = False
    wash_s: float = 0.0
    """Kept free for the wash after the last milking."""
    other: dict[str, Any] = field(default_factory=dict)
    """Ranges that this world has of its own in either set."""


WORLDS: Final = {
    "quasi_steady": World(quasi_share=1.0),
    "milk_plug": World(),
    "heavy_slugging": World(slugging=True, other={"lift_m": (1.2, 2.0), "length_m": (2.4, 3.2)}),
    "fluttering": World(flutter_share=1.0),
    "slip_free": World(quasi_share=0.5, slips=False, other={"fall_off_share": 0.0, "removal_share": 0.0}),
    "wash": World(wash_s=720.0),
}


@dataclass(frozen=True, slots=True)
class Order:
    """What is to be made."""

    name: str
    seed: int
    stalls: int = 24
    minutes: float = 60.0
    set_name: str = "tune"
    plant_sensor: bool = True

    @property
    def world(self) -> World:
        return WORLDS[self.name]

    @property
    def ranges(self) -> Ranges:
        return replace(SETS[self.set_name], **self.world.other)

    @property
    def parlor(self) -> str:
        return self.name.replace("_", "-")

    def rng(self) -> np.random.Generator:
        """Return the randomness of this order alone."""
        return np.random.default_rng(
            [self.seed, list(WORLDS).index(self.name), list(SETS).index(self.set_name)]
        )


@dataclass(frozen=True, slots=True)
class Plan:
    """What will happen."""

    visits: dict[int, list[Visit]]
    spells: list[SupportSpell]
    unrest: dict[int, list[tuple[float, float]]]
    events: list[ev.AirEvent]
    dips: list[Dip]
    wash: tuple[float, float] | None


def make_plan(rng: np.random.Generator, order: Order) -> Plan:
    """Draw visits, support, unrest, dips, and the events that follow from them."""
    ranges, world, end_s = order.ranges, order.world, order.minutes * 60.0
    platform = draw_platform(rng, ranges, order.stalls, end_s - world.wash_s)
    stalls = range(1, order.stalls + 1)
    visits = {stall: draw_visits(rng, ranges, platform, stall) for stall in stalls}
    milked = [v for stall in stalls for v in visits[stall] if v.milking]
    spells = draw_support(rng, ranges, milked)
    unrest = {stall: _unrest(rng, visits[stall]) for stall in stalls}
    dips = draw_dips(rng, order.minutes)
    events: list[ev.AirEvent] = []
    if world.slips:
        whole = np.arange(int(end_s), dtype=np.float64)
        deficit = sum((dip.shape(whole) for dip in dips), np.zeros(whole.size))
        around = ev.Circumstances(unrest, _faults(rng, order.stalls), deficit)
        rates = [(visit, *ev.excess_rates(visit, spells, around)) for visit in milked]
        slips = ev.draw_slips(rng, ranges, rates, world.flutter_share)
        wide = [event for visit in milked for event in ev.wide_openings(rng, visit)]
        events = [*(s for s in slips if not any(_touch(s, w) for w in wide)), *wide]
    wash = (end_s - world.wash_s + 60.0, end_s - 60.0) if world.wash_s else None
    return Plan(visits, spells, unrest, sorted(events, key=lambda e: e.start_s), dips, wash)


def _faults(rng: np.random.Generator, stalls: int) -> dict[int, float]:
    """Return by how much each stall's liners raise the rate of slips."""
    bad = set(rng.choice(stalls, size=max(1, round(FAULTY_SHARE * stalls)), replace=False) + 1)
    return {stall: float(rng.uniform(4.0, 8.0)) if stall in bad else 1.0 for stall in range(1, stalls + 1)}


def _touch(one: ev.AirEvent, other: ev.AirEvent) -> bool:
    return one.stall == other.stall and one.start_s < other.end_s + 6.0 and other.start_s < one.end_s + 6.0


def _unrest(rng: np.random.Generator, visits: list[Visit]) -> list[tuple[float, float]]:
    """Return when the cows of a stall step and kick: restless ones often, all of them at kick-offs."""
    spans = []
    for visit in visits:
        milking = visit.milking
        if milking is None:
            continue
        for _ in range(rng.poisson(4.0 if milking.restless else 0.25)):
            start = rng.uniform(milking.on_s + 5.0, milking.shut_s)
            spans.append((start, start + rng.uniform(1.5, 6.0)))
        spans += [(hang.start_s - 0.7, hang.start_s + 1.5) for hang in milking.hangs if hang.kicked]
    return sorted(spans)
