"""What a parlor was heard to send: its messages sorted by stall, in configured units, in one-second bins."""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from detect.units import KG_MIN_PER_FLOW_UNIT, KPA_PER_VACUUM_UNIT
from ingest.config import Config
from ingest.wire import Address as Place
from ingest.wire import (
    FlowPayload,
    Message,
    VacuumChannel,
    VacuumPayload,
    parse_payload,
    parse_topic,
)

MS_PER_S: Final = 1000.0
NS_PER_S: Final = 1e9
_DEVICE_TOPIC: Final = re.compile(r"(?P<root>.+)/(?P<parlor>[^/]+)/stall/\d+/(vacuum|flow|arm|cow)")


@dataclass(slots=True)
class StallHeard:
    """One stall: vacuum [kPa] and flow [kg/min] by second of device time, and its clock.

    ``offset_s`` is the least time from the end of a frame to its arrival: the transport's delay plus
    what the device's clock is behind.
    """

    vacuum_kpa: dict[int, float] = field(default_factory=dict)
    swing_kpa: dict[int, float] = field(default_factory=dict)
    flow_kg_min: dict[int, float] = field(default_factory=dict)
    offset_s: float = float("inf")


@dataclass(slots=True)
class Hearing:
    """All that was heard; ``others`` counts other roots and parlors, ``beyond`` holds stalls too high."""

    config: Config
    messages: int = 0
    ours: int = 0
    stalls: dict[int, StallHeard] = field(default_factory=lambda: defaultdict(StallHeard))
    others: Counter[tuple[str, str]] = field(default_factory=Counter)
    beyond: set[int] = field(default_factory=set)


def hear(messages: Iterable[Message], config: Config) -> Hearing:
    """Sort messages as the configuration would have them read."""
    hearing = Hearing(config)
    names = {"root": config.broker.root, "parlor": config.parlor.name}
    for message in messages:
        hearing.messages += 1
        place = parse_topic(message.topic, **names)
        if isinstance(place, Place):
            hearing.ours += 1
            _take(hearing, place, message)
        elif other := _DEVICE_TOPIC.fullmatch(message.topic):
            hearing.others[other["root"], other["parlor"]] += 1
    return hearing


def _take(hearing: Hearing, place: Place, message: Message) -> None:
    """Note one message of our parlor."""
    payload = parse_payload(place.kind, message.payload)
    parlor = hearing.config.parlor
    if place.stall is None:
        return
    if place.stall > parlor.stalls:
        hearing.beyond.add(place.stall)
        return
    stall = hearing.stalls[place.stall]
    match payload:
        case VacuumPayload(channel=None | VacuumChannel.CLAW):
            kpa = np.array(payload.kpa) * KPA_PER_VACUUM_UNIT[parlor.vacuum_unit]
            second = int(payload.t_ms // MS_PER_S)
            stall.vacuum_kpa[second], stall.swing_kpa[second] = float(np.median(kpa)), float(np.ptp(kpa))
            end_s = payload.t_ms / MS_PER_S + len(payload.kpa) / payload.rate_hz
            stall.offset_s = min(stall.offset_s, message.recv_ns / NS_PER_S - end_s)
        case FlowPayload():
            flow = payload.kg_min * KG_MIN_PER_FLOW_UNIT[parlor.flow_unit]
            stall.flow_kg_min[int(payload.t_ms // MS_PER_S)] = flow
