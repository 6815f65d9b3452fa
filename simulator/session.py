"""What one stall keeps while a cow is milked, and what it drives the pneumatics with."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from enum import Enum, auto

import numpy as np

from simulator.arm import SupportState
from simulator.herd import Cow, kick_off_per_milking, udder_of
from simulator.scenario import Routine, Scenario
from simulator.slips import Opening, gap_area_mm2
from simulator.statics import Carrying
from simulator.support import Lapse, draw_lapse
from simulator.truth import Phase
from simulator.udder import Udder


class StallState(Enum):
    """What a stall is busy with."""

    EMPTY = auto()
    WAITING = auto()
    ATTACHING = auto()
    MILKING = auto()
    FALLEN = auto()
    DETACHING = auto()
    DONE = auto()
    WASHING = auto()


@dataclass(frozen=True, slots=True)
class Second:
    """One second as a stall sees it: from ``start_s`` to ``end_s`` [s of the record].

    ``place`` is where the stall stands, ``claw_kpa`` and ``plant_kpa`` are the means of the second
    before, ``meter_kg_min`` the newest reading, ``next_cow`` gives the next cow, or None when no more board.
    """

    start_s: float
    end_s: float
    place: float
    claw_kpa: float
    plant_kpa: float
    meter_kg_min: float
    milker: str
    next_cow: Callable[[], Cow | None]


@dataclass(slots=True)
class Session:
    """One milking while it lasts."""

    cow: Cow
    udder: Udder
    start_s: float
    lapse: Lapse | None
    kick_s: float
    folds: bool
    slips: int = 0
    fall_offs: int = 0
    reattaches: int = 0
    best_kg_min: float = 0.0
    low_s: float = 0.0
    goes_round: bool | None = None
    folded: int | None = None
    lapse_began_s: float | None = None

    @property
    def flow_kg_min(self) -> float:
        """Flow of the whole udder now [kg/min]."""
        return self.udder.total_flow_kg_min

    def fast_forward(self, elapsed_s: float, routine: Routine) -> None:
        """Milk undisturbed at 42 kPa for ``elapsed_s`` [s] or until the take-off would come."""
        while self.udder.time_s < elapsed_s and self.low_s < routine.take_off_delay_s:
            self.best_kg_min = max(self.best_kg_min, self.udder.step(1.0, 42.0))
            low = self.flow_kg_min < routine.take_off_kg_min and self.udder.time_s > routine.least_on_s
            self.low_s = self.low_s + 1.0 if low else 0.0
        done = self.low_s >= routine.take_off_delay_s
        self.low_s = self.low_s if done else 0.0
        self.kick_s = math.inf if self.kick_s < 0.0 else self.kick_s

    def figures(self) -> tuple[float, tuple[int, int, int]]:
        """Return yield [kg] and the counts of slips, fall-offs and reattaches."""
        return sum(self.udder.milked_kg), (self.slips, self.fall_offs, self.reattaches)

    def phase(self) -> Phase:
        """Return where in its flow curve the milking stands; judged by flow, not by clock."""
        quarters = self.udder.quarters
        given = sum(self.udder.milked_kg) / max(0.1, sum(q.yield_kg for q in quarters))
        if self.best_kg_min < 0.6 * sum(q.plateau_kg_min for q in quarters) and given < 0.3:
            return Phase.LET_DOWN
        if self.flow_kg_min < 0.5:
            return Phase.LOW_FLOW
        return Phase.PEAK if self.flow_kg_min >= 0.7 * self.best_kg_min else Phase.DECLINE

    def dry_quarter(self) -> int | None:
        """Return a quarter that is dry while the others still give much milk, or None."""
        if self.udder.time_s > 60.0 and self.flow_kg_min > 0.8:
            for index, flow in enumerate(self.udder.flow_kg_min):
                if flow < 0.05:
                    return index
        return None

    def carrying(self, at_s: float, hose_kg: float) -> Carrying:
        """Return how the unit hangs at an instant [s]; a sound arm carries the hose's weight [kg]."""
        lapse = self.lapse
        if lapse is None or not lapse.stands_at(at_s):
            return Carrying(hose_kg, 0.0, self.folded)
        return Carrying(hose_kg * lapse.share, float(lapse.state is SupportState.DRAG), self.folded)


@dataclass(slots=True)
class Window:
    """A half-open span of time [s] in which something is on."""

    from_s: float = math.inf
    to_s: float = math.inf

    def open(self, at_s: float) -> None:
        """Switch on at an instant, until further notice."""
        self.from_s, self.to_s = at_s, math.inf

    def shut(self, at_s: float) -> None:
        """Switch off at an instant."""
        self.to_s = min(self.to_s, at_s)


@dataclass(slots=True)
class Drive:
    """What the pneumatics of a stall are driven with."""

    valve: Window = field(default_factory=Window)
    milk: Window = field(default_factory=Window)
    openings: list[Opening] = field(default_factory=list)
    seep: Window = field(default_factory=Window)
    seep_mm2: float = 0.0
    flow_before_kg_min: float = 0.0
    flow_after_kg_min: float = 0.0


def crossed(before: float, now: float, mark: float) -> bool:
    """Tell whether a stall that moved from one place to another on the ring passed a mark."""
    if now >= before:
        return before < mark <= now
    return mark > before or mark <= now


def draw_session(
    cow: Cow, start_s: float, scenario: Scenario, arm_share: float | None, *, rng: np.random.Generator
) -> Session:
    """Draw what a milking holds in store: milk, lapses of support, a kick, a folded cup.

    Parameters
    ----------
    cow, start_s
        Who is milked, and from when [s].
    scenario
        Settings.
    arm_share
        What an arm out of set carries of the hose (0 to 1), None for a sound arm.
    rng
        Draws it.
    """
    routine = scenario.routine
    kicks = rng.random() < kick_off_per_milking(cow.parity, cow.dim)
    return Session(
        cow=cow,
        udder=udder_of(cow, scenario.herd, rng),
        start_s=start_s,
        lapse=draw_lapse(routine, arm_share, start_s, rng),
        kick_s=start_s + float(rng.uniform(15.0, 240.0)) if kicks else math.inf,
        folds=bool(rng.random() < routine.fold_share),
    )


def attach_openings(start_s: float, length_s: float, rng: np.random.Generator) -> list[Opening]:
    """Return the air that four cups let in while they are put on: steps down, with a burst at each cup.

    Parameters
    ----------
    start_s, length_s
        When attaching begins and how long it takes [s].
    rng
        Draws the bursts.
    """
    times = start_s + length_s * np.array([0.0, 0.25, 0.5, 0.75, 1.0])
    openings = []
    for cup, hanging_mm in enumerate((4.5, 3.6, 2.6, 1.5)):
        begin, end = float(times[cup]), float(times[cup + 1])
        burst, bore = float(rng.uniform(0.25, 0.6)), float(rng.uniform(4.0, 7.0))
        openings.append(Opening(begin, end, gap_area_mm2(hanging_mm), 0.1, 0.1))
        openings.append(Opening(end - burst, end, gap_area_mm2(bore), 0.08, 0.08))
    return openings
