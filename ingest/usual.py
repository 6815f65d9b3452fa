"""Decode many messages at once: those of the usual shape by one compiled scan, the others by the wire.

What is read, refused and counted is what :meth:`ingest.decode.Decoder.decode` says of each message
alone; the scan only takes what it is sure of.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from itertools import repeat
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from detect.batch import ARM, COW, FLOW, PLANT, ROW_DTYPE, VACUUM, ReadingBatch
from detect.units import KG_MIN_PER_FLOW_UNIT, KPA_PER_VACUUM_UNIT
from ingest.decode import (
    ANGLE_RANGE_DEG,
    CORD_RANGE_MM,
    MAX_AHEAD_NS,
    MAX_FLOW_KG_MIN,
    MAX_PAYLOAD_BYTES,
    VACUUM_RANGE_KPA,
    Decoder,
    Frame,
    Rejected,
    Stamp,
)
from ingest.messages import Messages
from ingest.scan import PADDING, scan
from ingest.wire import (
    ARM_HZ,
    EARLIEST_MS,
    LATEST_MS,
    MAX_SAMPLES,
    VACUUM_HZ,
    Address,
    StreamKind,
    plant_topic,
    stall_topic,
)

STAMP_DTYPE: Final = np.dtype(
    [
        ("read", "i8"),  # 1: the row and this stamp are those of the message
        ("seq", "i8"),
        ("boot_at", "i8"),  # place of the boot mark in the text
        ("boot_size", "i8"),  # -1 without one
    ]
)
STREAM_OF: Final = {
    StreamKind.VACUUM: VACUUM,
    StreamKind.FLOW: FLOW,
    StreamKind.ARM: ARM,
    StreamKind.COW: COW,
}


class ScanLimits(NamedTuple):
    """What a reading may be: bounds of the wire and of the decoder, units as factors.

    Attributes
    ----------
    bytes, samples:
        Longest payload and frame.
    earliest_ms, latest_ms, ahead_ns:
        Device time: from, before, and at most so much ahead of the receiver.
    vacuum_hz, arm_hz:
        Least and highest rate.
    vacuum_factor, flow_factor:
        kPa and kg/min of one unit.
    vacuum_kpa, angle_deg, cord_mm:
        Least and highest value.
    flow_kg_min:
        Highest flow.
    """

    bytes: int
    samples: int
    earliest_ms: int
    latest_ms: int
    ahead_ns: int
    vacuum_hz: tuple[float, float]
    arm_hz: tuple[float, float]
    vacuum_factor: float
    flow_factor: float
    vacuum_kpa: tuple[float, float]
    flow_kg_min: float
    angle_deg: tuple[float, float]
    cord_mm: tuple[float, float]


@dataclass(frozen=True, slots=True)
class Topics:
    """The topics that a parlor may have, by number; the last number stands for any other.

    Parameters
    ----------
    numbers:
        By topic.
    names, addresses:
        By number.
    rows:
        Stream and stall of each as the scan wants them, of ROW_DTYPE; that of any other is not read.
    """

    numbers: dict[str, int]
    names: tuple[str, ...]
    addresses: tuple[Address, ...]
    rows: NDArray[np.void]


@dataclass(frozen=True, slots=True)
class Decoded:
    """Messages as read.

    Parameters
    ----------
    messages:
        In order of arrival.
    topics, numbers:
        The parlor's topics, and that of each message.
    stamps:
        Its place in its topic, of STAMP_DTYPE; void where the scan did not read it.
    readings:
        One row a message; void where the scan did not read it.
    text:
        All payloads one behind the other, and PADDING.
    others:
        What the wire said of those that the scan did not read, by place.
    """

    messages: Messages
    topics: Topics
    numbers: NDArray[np.int64]
    stamps: NDArray[np.void]
    readings: ReadingBatch
    text: NDArray[np.uint8]
    others: dict[int, Frame | Rejected]

    def __len__(self) -> int:
        return len(self.messages)

    def frame(self, at: int) -> Frame | Rejected:
        """Return what one message came to, as if it had been decoded alone."""
        if (other := self.others.get(at)) is not None:
            return other
        address = self.topics.addresses[self.numbers[at]]
        t_ns = int(self.readings.rows["t_ns"][at])
        stamp = Stamp(self.boot(at), int(self.stamps["seq"][at]), t_ns)
        return Frame(self.messages[at], address, stamp, self.readings.reading(at), 0)

    def boot(self, at: int) -> str | None:
        """Return the boot mark of a message that was scanned."""
        first, size = int(self.stamps["boot_at"][at]), int(self.stamps["boot_size"][at])
        return None if size < 0 else self.text[first : first + size].tobytes().decode("ascii")


def decode_all(decoder: Decoder, messages: Messages) -> Decoded:
    """Decode messages, with the outcome of each as if it were alone; may run in a thread of its own."""
    topics = topics_of(decoder.root, decoder.parlor, decoder.stalls)
    text = np.frombuffer(b"".join([*messages.payloads, PADDING]), np.uint8)
    ends = np.cumsum(list(map(len, messages.payloads)), dtype=np.int64)
    numbers = np.array(list(map(topics.numbers.get, messages.topics, repeat(len(topics.names)))), np.int64)
    rows, stamps = topics.rows.take(numbers), np.zeros(len(messages), STAMP_DTYPE)
    stamps["boot_size"] = -1
    values = np.empty(len(text) // 2 + 1)
    used = scan(text, ends, messages.recv_ns, rows, stamps, values, scan_limits(decoder))
    others = {at: decoder.decode(messages[at]) for at in np.flatnonzero(stamps["read"] == 0).tolist()}
    readings = ReadingBatch(rows, values[:used])
    return Decoded(messages, topics, numbers, stamps, readings, text, others)


@cache
def topics_of(root: str, parlor: str, stalls: int) -> Topics:
    """Return all topics of a parlor."""
    addresses = [Address(None, StreamKind.VACUUM)]
    addresses += [Address(stall, kind) for stall in range(1, stalls + 1) for kind in StreamKind]
    names = [plant_topic(root=root, parlor=parlor, kind=StreamKind.VACUUM)]
    names += [
        stall_topic(root=root, parlor=parlor, stall=address.stall, kind=address.kind)
        for address in addresses
        if address.stall is not None
    ]
    rows = np.zeros(len(names) + 1, ROW_DTYPE)
    rows["stream"] = [*(STREAM_OF[address.kind] for address in addresses), COW]
    rows["stall"] = [*(address.stall or PLANT for address in addresses), PLANT]
    return Topics({name: k for k, name in enumerate(names)}, tuple(names), tuple(addresses), rows)


@cache
def scan_limits(decoder: Decoder) -> ScanLimits:
    """Return the bounds of the wire and of a decoder."""
    return ScanLimits(
        bytes=MAX_PAYLOAD_BYTES,
        samples=MAX_SAMPLES,
        earliest_ms=EARLIEST_MS,
        latest_ms=LATEST_MS,
        ahead_ns=MAX_AHEAD_NS,
        vacuum_hz=VACUUM_HZ,
        arm_hz=ARM_HZ,
        vacuum_factor=KPA_PER_VACUUM_UNIT[decoder.vacuum_unit],
        flow_factor=KG_MIN_PER_FLOW_UNIT[decoder.flow_unit],
        vacuum_kpa=VACUUM_RANGE_KPA,
        flow_kg_min=MAX_FLOW_KG_MIN,
        angle_deg=ANGLE_RANGE_DEG,
        cord_mm=CORD_RANGE_MM,
    )
