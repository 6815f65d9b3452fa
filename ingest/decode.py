"""From a message to a reading: what cannot be true is rejected with a reason, never raised.

The wire knows the form of a payload; here its numbers get the parlor's units and are held against
what a milking parlor can be.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from detect.kinds import Channel
from detect.readings import ArmPosition, CowAtStall, MilkFlow, PlantVacuum, Reading, Samples, StallVacuum
from detect.units import KG_MIN_PER_FLOW_UNIT, KPA_PER_VACUUM_UNIT, FlowUnit, VacuumUnit
from ingest.wire import (
    Address,
    ArmPayload,
    CowPayload,
    FlowPayload,
    Message,
    Payload,
    Unreadable,
    VacuumPayload,
    parse_payload,
    parse_topic,
)

NS_PER_MS: Final = 1_000_000
MAX_PAYLOAD_BYTES: Final = 65_536
"""Largest payload read: the longest frame with 16 characters a sample (engineering choice)."""
MAX_AHEAD_NS: Final = 86_400 * 10**9
"""Most a device clock may run ahead of the receiver's [ns]: a wrong time zone (engineering choice)."""
VACUUM_RANGE_KPA: Final = (-20.0, 110.0)
"""From a hard blow of air into the sensor to beyond full vacuum at sea level (engineering choice)."""
MAX_FLOW_KG_MIN: Final = 30.0
"""No udder gives more; cleaning water may come near (engineering choice)."""
ANGLE_RANGE_DEG: Final = (-360.0, 360.0)
"""One turn either way of an arm mounted anyhow (engineering choice)."""
CORD_RANGE_MM: Final = (-1000.0, 10_000.0)
"""A pay-out with any zero and gain of the installation (engineering choice)."""


@dataclass(frozen=True, slots=True)
class Rejected:
    """Why a message is not used, as one short line."""

    reason: str


@dataclass(frozen=True, slots=True)
class Stamp:
    """Where a message stands in its topic: boot mark, sequence number, device time [ns]."""

    boot: str | None
    seq: int
    t_ns: int


@dataclass(frozen=True, slots=True)
class Frame:
    """A readable message in its place; its numbers are a reading, or are rejected with a reason.

    A rejected frame keeps its place, so that one impossible value is not also a gap.
    """

    message: Message
    address: Address
    stamp: Stamp
    content: Reading | Rejected
    extra_fields: int


@dataclass(frozen=True, slots=True)
class Decoder:
    """How one parlor's messages are read.

    Parameters
    ----------
    root, parlor:
        First levels of the parlor's topics.
    stalls:
        Number of stalls; a topic of a higher stall is unknown.
    vacuum_unit, flow_unit:
        Units in which the parlor's devices send.
    """

    root: str
    parlor: str
    stalls: int
    vacuum_unit: VacuumUnit = VacuumUnit.KPA
    flow_unit: FlowUnit = FlowUnit.KG_MIN

    def decode(self, message: Message) -> Frame | Rejected:
        """Read one message.

        Returns
        -------
        Frame | Rejected
            A frame with its place in the topic, or the reason why not even the place can be known.
        """
        if len(message.payload) > MAX_PAYLOAD_BYTES:
            return Rejected(f"payload too large: {len(message.payload)} bytes, at most {MAX_PAYLOAD_BYTES}")
        address = parse_topic(message.topic, root=self.root, parlor=self.parlor)
        if isinstance(address, Unreadable):
            return Rejected(address.reason)
        if address.stall is not None and address.stall > self.stalls:
            return Rejected(f"unknown topic: stall {address.stall} of a parlor with {self.stalls}")
        payload = parse_payload(address.kind, message.payload)
        if isinstance(payload, Unreadable):
            return Rejected(payload.reason)
        t_ns = payload.t_ms * NS_PER_MS
        if t_ns > message.recv_ns + MAX_AHEAD_NS:
            return Rejected("impossible time: t_ms is more than a day ahead of the receiver's clock")
        stamp = Stamp(payload.boot, payload.seq, t_ns)
        content = self._content(address, payload, t_ns)
        return Frame(message, address, stamp, content, payload.extra_fields)

    def _content(self, address: Address, payload: Payload, t_ns: int) -> Reading | Rejected:
        """Give the numbers their units and their place."""
        match address.stall, payload:
            case None, VacuumPayload():
                return self._plant_vacuum(payload, t_ns)
            case int(stall), VacuumPayload():
                return self._stall_vacuum(stall, payload, t_ns)
            case int(stall), FlowPayload():
                return self._flow(stall, payload, t_ns)
            case int(stall), ArmPayload():
                return _arm(stall, payload, t_ns)
            case int(stall), CowPayload():
                return _cow(stall, payload, t_ns)
        return Rejected("unknown topic: the plant sends vacuum only")

    def _plant_vacuum(self, payload: VacuumPayload, t_ns: int) -> PlantVacuum | Rejected:
        if payload.channel is not None:
            return Rejected("vacuum payload: channel: the plant has no quarters")
        vacuum_kpa = self._vacuum_kpa(payload)
        if isinstance(vacuum_kpa, Rejected):
            return vacuum_kpa
        return PlantVacuum(t_ns, payload.rate_hz, vacuum_kpa)

    def _stall_vacuum(self, stall: int, payload: VacuumPayload, t_ns: int) -> StallVacuum | Rejected:
        vacuum_kpa = self._vacuum_kpa(payload)
        if isinstance(vacuum_kpa, Rejected):
            return vacuum_kpa
        channel = Channel.CLAW if payload.channel is None else Channel(payload.channel.value)
        return StallVacuum(stall, t_ns, payload.rate_hz, vacuum_kpa, channel)

    def _vacuum_kpa(self, payload: VacuumPayload) -> Samples | Rejected:
        vacuum_kpa = np.array(payload.kpa, dtype=np.float64)
        if self.vacuum_unit is not VacuumUnit.KPA:
            with np.errstate(over="ignore"):  # what overflows is out of range, and rejected as such
                vacuum_kpa *= KPA_PER_VACUUM_UNIT[self.vacuum_unit]
        return _within(vacuum_kpa, VACUUM_RANGE_KPA, "vacuum payload: kpa: vacuum", unit="kPa")

    def _flow(self, stall: int, payload: FlowPayload, t_ns: int) -> MilkFlow | Rejected:
        flow_kg_min = payload.kg_min * KG_MIN_PER_FLOW_UNIT[self.flow_unit]
        if flow_kg_min > MAX_FLOW_KG_MIN:
            return Rejected(
                f"flow payload: kg_min: flow {flow_kg_min:.4g} kg/min, at most {MAX_FLOW_KG_MIN:g}"
            )
        return MilkFlow(stall, t_ns, flow_kg_min)


def _arm(stall: int, payload: ArmPayload, t_ns: int) -> ArmPosition | Rejected:
    angle_deg = _within(
        np.array(payload.angle_deg, dtype=np.float64),
        ANGLE_RANGE_DEG,
        "arm payload: angle_deg: angle",
        unit="deg",
    )
    cord_mm = _within(
        np.array(payload.cord_mm, dtype=np.float64), CORD_RANGE_MM, "arm payload: cord_mm: cord", unit="mm"
    )
    if isinstance(angle_deg, Rejected):
        return angle_deg
    if isinstance(cord_mm, Rejected):
        return cord_mm
    return ArmPosition(stall, t_ns, payload.rate_hz, angle_deg, cord_mm)


def _cow(stall: int, payload: CowPayload, t_ns: int) -> CowAtStall:
    return CowAtStall(
        stall=stall,
        t_ns=t_ns,
        cow=payload.cow,
        milker=payload.milker,
        group=payload.group,
        parity=payload.parity,
        dim=payload.dim,
    )


def _within(samples: Samples, limits: tuple[float, float], what: str, *, unit: str) -> Samples | Rejected:
    """Pass samples that all lie within the limits; reject all of them by the worst one otherwise."""
    lowest, highest = float(samples.min()), float(samples.max())
    low, high = limits
    if lowest < low or highest > high:
        worst = lowest if lowest < low else highest
        return Rejected(f"{what} {worst:.4g} {unit}, outside {low:g} to {high:g}")
    return samples
