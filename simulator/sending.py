"""One second of the parlor as its devices report it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ingest.wire import VacuumChannel
from simulator.arm import ArmBank
from simulator.claw import FloatArray
from simulator.faults import FaultBook, FaultKind
from simulator.network import Gateway
from simulator.pneumatics import Pneumatics
from simulator.scenario import Scenario
from simulator.sensors import MilkMeters, VacuumSensors
from simulator.stall import Stall

_QUARTERS = (
    VacuumChannel.LEFT_FRONT,
    VacuumChannel.RIGHT_FRONT,
    VacuumChannel.LEFT_REAR,
    VacuumChannel.RIGHT_REAR,
)
_SHORT_TUBE_KPA_L_MIN = 0.12  # drop along the short milk tube for each L/min of air through its own cup


class Sender:
    """All sensors of the parlor, read and sent once a second.

    Parameters
    ----------
    scenario, book
        Settings and faults.
    rng
        Draws the sensors' errors.
    arms
        The detach arms.
    """

    def __init__(self, scenario: Scenario, book: FaultBook, rng: np.random.Generator, arms: ArmBank) -> None:
        own = scenario.sensors
        stalls = scenario.deck.stalls
        self._set = own
        self._book = book
        self._arms = arms
        # each kind draws from its own stream: adding a sensor changes neither the others nor the truth
        claws, plant, meters, *quarters = rng.spawn(7)
        self._claws = VacuumSensors(own, stalls, rate_hz=own.vacuum_hz, rng=claws)
        self._plant = None if own.plant_hz is None else VacuumSensors(own, 1, rate_hz=own.plant_hz, rng=plant)
        self._quarters = [
            VacuumSensors(own, stalls, rate_hz=own.vacuum_hz, rng=quarter)
            for quarter in quarters
            if own.quarters
        ]
        self.meters = MilkMeters(own, stalls, meters)
        """The milk meters, which the take-off listens to."""

    @property
    def zero_kpa(self) -> FloatArray:
        """What each claw's sensor reads in open air [kPa], without faults."""
        return self._claws.zero_kpa

    def send(self, gateway: Gateway, stalls: Sequence[Stall], air: Pneumatics, start_s: float) -> None:
        """Send everything the devices saw in the second from ``start_s``."""
        self._send_vacuum(gateway, stalls, air, start_s)
        self._send_flow(gateway, stalls, air, start_s)
        self._send_arms(gateway, stalls, air, start_s)
        for stall in stalls:
            for notice in stall.notices:
                gateway.cow(stall.number, notice)
            stall.notices.clear()

    def _send_vacuum(
        self, gateway: Gateway, stalls: Sequence[Stall], air: Pneumatics, start_s: float
    ) -> None:
        numbers = [stall.number for stall in stalls]
        frozen = np.array(
            [self._size(FaultKind.FROZEN_SENSOR, n, start_s, 0.0) > 0.0 for n in numbers], float
        )
        offset = np.array([self._size(FaultKind.SENSOR_OFFSET, n, start_s, 0.0) for n in numbers])
        self._frames(gateway, numbers, self._claws.read(air.now_kpa, frozen, offset), (start_s, None))
        for quarter, sensors in enumerate(self._quarters):
            own = air.now_kpa - _SHORT_TUBE_KPA_L_MIN * self._own_air(stalls, air, quarter)
            readings = sensors.read(np.maximum(own, 0.0), frozen, offset)
            self._frames(gateway, numbers, readings, (start_s, _QUARTERS[quarter]))
        if self._plant is not None:
            readings = self._plant.read(air.plant_kpa[None, :], np.zeros(1), np.zeros(1))
            self._frames(gateway, [0], readings, (start_s, None))

    def _frames(
        self,
        gateway: Gateway,
        numbers: Sequence[int],
        readings: FloatArray,
        tag: tuple[float, VacuumChannel | None],
    ) -> None:
        """Cut a second of readings into frames and send them; ``tag`` is start [s] and channel."""
        frames = self._set.frames_per_s
        pieces = readings.reshape(len(numbers), frames, -1).tolist()
        for f in range(frames):
            span = (tag[0] + f / frames, tag[0] + (f + 1) / frames)
            for number, piece in zip(numbers, pieces, strict=True):
                gateway.vacuum(number, span, piece[f], tag[1])

    def _send_flow(self, gateway: Gateway, stalls: Sequence[Stall], air: Pneumatics, start_s: float) -> None:
        flow = np.array([0.5 * (s.drive.flow_before_kg_min + s.drive.flow_after_kg_min) for s in stalls])
        readings = self.meters.read(flow, air.gap_l_min.mean(axis=1))
        for stall, value in zip(stalls, readings.tolist(), strict=True):
            gateway.flow(stall.number, start_s + 1.0, value)

    def _send_arms(self, gateway: Gateway, stalls: Sequence[Stall], air: Pneumatics, start_s: float) -> None:
        beats = np.arange(self._set.arm_hz) / self._set.arm_hz
        cycle = air.cycle_start[:, None] + air.cycles_per_s[:, None] * beats
        unrest = np.array([stall.temper.shakes(start_s) for stall in stalls])
        angle, cord = self._arms.sample([stall.pose for stall in stalls], cycle, start_s + beats, unrest)
        angles, cords = np.round(angle, 2).tolist(), np.round(cord, 1).tolist()
        for stall, own_angle, own_cord in zip(stalls, angles, cords, strict=True):
            gateway.arm(stall.number, (start_s, start_s + 1.0), own_angle, own_cord)

    def _size(self, kind: FaultKind, stall: int, at_s: float, without: float) -> float:
        size = self._book.size(kind, stall, at_s)
        return without if size is None else size

    @staticmethod
    def _own_air(stalls: Sequence[Stall], air: Pneumatics, quarter: int) -> FloatArray:
        """Return the air through the cup of one quarter [L/min], shape (stalls, steps)."""
        own = np.array(
            [any(span.onset.quarter == quarter for span in stall.ledger.spans) for stall in stalls]
        )
        passing: FloatArray = air.gap_l_min * own[:, None]
        return passing
