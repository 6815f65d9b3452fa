"""The rotary parlor, second by second: everything wired together.

``simulate(scenario)`` gives the messages in order of arrival and, when they have been read to their
end, the truth. A second of the record is decided (who falls off, what slips), integrated for all
stalls at once, sensed and sent before the next one begins, so memory does not grow with the record.
"""

from __future__ import annotations

from collections.abc import Iterator
from enum import Enum, auto
from typing import Final

import numpy as np

from ingest.wire import Message
from simulator.arm import ArmBank
from simulator.faults import CONDITION_OF, Fault, FaultBook, FaultKind
from simulator.herd import Cow, make_herd, queue_of
from simulator.network import Addressing, Gateway
from simulator.platform import Platform
from simulator.pneumatics import Pneumatics
from simulator.scenario import Scenario
from simulator.seal import Seal
from simulator.sending import Sender
from simulator.session import Second
from simulator.stall import Stall
from simulator.truth import Truth

ZERO_OFF_KPA: Final = 0.5
"""A sensor drawn further off than this is a true fault (common practice, no source)."""


class ShiftMode(Enum):
    """What the parlor is busy with."""

    BOARDING = auto()
    EMPTYING = auto()
    WASHING = auto()
    RESTING = auto()


class Simulation:
    """An iterator over the messages of a scenario; ``truth`` is complete when it is exhausted.

    Parameters
    ----------
    scenario
        All settings; the same scenario gives the same bytes.
    """

    def __init__(self, scenario: Scenario) -> None:
        self.scenario = scenario
        self.truth = Truth(scenario.parlor, scenario.start_ns)
        self._messages = self._run()

    def __iter__(self) -> Iterator[Message]:
        """Return itself: a simulation is read once."""
        return self

    def __next__(self) -> Message:
        """Return the next message."""
        return next(self._messages)

    def _run(self) -> Iterator[Message]:
        parlor = _Parlor(self.scenario, self.truth)
        for second in range(int(self.scenario.duration_s)):
            parlor.live(float(second))
            yield from parlor.gateway.arrived(second + 1.0)
        parlor.close(self.scenario.duration_s)
        yield from parlor.gateway.arrived(self.scenario.duration_s + 60.0)


def simulate(scenario: Scenario) -> Simulation:
    """Return the simulation of a scenario, ready to be read."""
    return Simulation(scenario)


class _Parlor:
    """All parts of one parlor and the second they live in."""

    def __init__(self, scenario: Scenario, truth: Truth) -> None:
        world, herd, deck, noise, sensors, network, arms, dips = (
            np.random.default_rng(seed) for seed in np.random.SeedSequence(scenario.seed).spawn(8)
        )
        self._set = scenario
        self._truth = truth
        count = scenario.deck.stalls
        self._book = FaultBook((*scenario.faults, *_chance_dips(scenario, dips)))
        self.gateway = Gateway(
            Addressing(scenario.root, scenario.parlor, scenario.start_ns),
            scenario.sensors,
            stalls=count,
            book=self._book,
            rng=network,
        )
        seal = Seal(scenario.cluster, scenario.law, scenario.plant.vacuum_kpa)
        self._stalls = [
            Stall(number, scenario, book=self._book, seal=seal, truth=truth, rng=rng)
            for number, rng in zip(range(1, count + 1), world.spawn(count), strict=True)
        ]
        self._queue = queue_of(make_herd(scenario.herd, herd))
        self._platform = Platform(scenario.deck, deck)
        self._air = Pneumatics(scenario, self._book, noise, truth)
        self._sender = Sender(scenario, self._book, sensors, ArmBank(scenario.arm, count, arms))
        self._mode = ShiftMode.BOARDING
        self._mode_end_s = scenario.shifts.length_s
        if scenario.loaded:
            self._load()

    def _load(self) -> None:
        """Fill the platform as in the middle of a shift."""
        deck = self._set.deck
        for stall in self._stalls:
            place = self._platform.place(stall.number)
            if deck.enter_place <= place < deck.exit_place:
                stall.ride_in(next(self._queue), place, deck.milkers[0])
        self._air.settle(self._stalls)

    def live(self, start_s: float) -> None:
        """Live through the second that begins at ``start_s``."""
        self._turn_shift(start_s)
        self.gateway.begin(start_s)
        if self._mode in (ShiftMode.BOARDING, ShiftMode.EMPTYING):
            self._platform.step(start_s, 1.0)
        milkers = self._set.deck.milkers
        for i, stall in enumerate(self._stalls):
            stall.step(
                Second(
                    start_s=start_s,
                    end_s=start_s + 1.0,
                    place=self._platform.place(stall.number),
                    claw_kpa=float(self._air.mean_claw_kpa[i]),
                    plant_kpa=self._air.mean_plant_kpa,
                    meter_kg_min=float(self._sender.meters.reading_kg_min[i]),
                    milker=milkers[int(start_s // 3600.0) % len(milkers)],
                    next_cow=self._next_cow,
                )
            )
        self._air.advance(self._stalls, start_s, pump_on=self._mode is not ShiftMode.RESTING)
        for stall in self._stalls:
            stall.ledger.settle(start_s + 1.0)
        self._sender.send(self.gateway, self._stalls, self._air, start_s)

    def close(self, end_s: float) -> None:
        """Write down what is still open at the end of the record [s]."""
        for stall in self._stalls:
            stall.close_record(end_s)
        self._air.close(end_s)
        for fault in self._set.faults:
            if fault.stall is not None and fault.kind in CONDITION_OF and fault.from_s < end_s:
                span = (fault.from_s, min(fault.to_s, end_s))
                self._truth.add_condition(fault.stall, span, CONDITION_OF[fault.kind], fault.size)
        for stall, kpa in zip(self._stalls, self._sender.zero_kpa.tolist(), strict=True):
            if abs(kpa) > ZERO_OFF_KPA:
                name = CONDITION_OF[FaultKind.SENSOR_OFFSET]
                self._truth.add_condition(stall.number, (0.0, end_s), name, kpa)

    def _next_cow(self) -> Cow | None:
        return next(self._queue) if self._mode is ShiftMode.BOARDING else None

    def _turn_shift(self, now_s: float) -> None:
        """Go on to the next part of the shift when this one is over."""
        shifts = self._set.shifts
        if self._mode is ShiftMode.EMPTYING:
            if any(stall.occupied for stall in self._stalls):
                return
            self._mode, self._mode_end_s = ShiftMode.WASHING, now_s + shifts.wash_s
            for stall in self._stalls if shifts.wash_s > 0.0 else ():
                stall.begin_wash(now_s)
        elif now_s < self._mode_end_s:
            return
        elif self._mode is ShiftMode.BOARDING:
            self._mode = ShiftMode.EMPTYING
        elif self._mode is ShiftMode.WASHING:
            self._mode = ShiftMode.RESTING
            self._mode_end_s = (now_s // shifts.every_s + 1.0) * shifts.every_s
            for stall in self._stalls if shifts.wash_s > 0.0 else ():
                stall.end_wash(now_s)
        else:
            self._mode, self._mode_end_s = ShiftMode.BOARDING, now_s + shifts.length_s


def _chance_dips(scenario: Scenario, rng: np.random.Generator) -> list[Fault]:
    """Draw the unscheduled dips of the plant."""
    count = int(rng.poisson(scenario.plant_dips_per_h * scenario.duration_s / 3600.0))
    starts = np.sort(rng.uniform(0.0, scenario.duration_s, count))
    return [
        Fault(
            FaultKind.PLANT_DIP,
            None,
            float(t),
            float(t + rng.uniform(1.0, 6.0)),
            float(rng.uniform(2.0, 6.0)),
        )
        for t in starts
    ]
