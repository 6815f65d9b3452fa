"""What is committed together: results, what was refused, how far each topic was read, the state."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from detect.checkpoint import Checkpoint
from detect.results import Result


@dataclass(frozen=True, slots=True)
class Watermark:
    """How far one topic was read: the device's boot mark, its last sequence number, that time [ns]."""

    boot: str | None
    seq: int
    t_ns: int


@dataclass(frozen=True, slots=True)
class Quarantined:
    """One message that could not be used: receive time [ns], topic, payload and the reason."""

    recv_ns: int
    topic: str
    payload: bytes
    reason: str


@dataclass(frozen=True, slots=True)
class MissingFrames:
    """Frames of one stream that never came.

    ``stall`` is None for the plant; the numbers are those of the device's boot mark; the device
    times [ns] are those of the frames before and after.
    """

    stall: int | None
    stream: str
    boot: str | None
    first_seq: int
    last_seq: int
    start_ns: int
    end_ns: int


@dataclass(frozen=True, slots=True)
class Trace:
    """The vacuum of one stall without a break.

    Attributes
    ----------
    stall:
        Whose it is.
    t_ns, end_ns:
        Device time of the first sample, and one step behind the last [ns].
    rate_hz:
        Samples a second.
    samples:
        In steps of 10 Pa, two bytes each, little-endian.
    """

    stall: int
    t_ns: int
    end_ns: int
    rate_hz: float
    samples: bytes


@dataclass(frozen=True, slots=True)
class Batch:
    """All that one commit makes durable for one parlor.

    ``watermarks`` is keyed by full topic and needs to hold only the topics that moved;
    ``checkpoint`` is the whole detector state after the batch, or None to leave it;
    ``vacuum`` holds the claw vacuum read, of which clips around events are kept.
    """

    parlor: str
    results: Sequence[Result] = ()
    quarantined: Sequence[Quarantined] = ()
    watermarks: Mapping[str, Watermark] = field(default_factory=dict)
    checkpoint: Checkpoint | None = None
    missing: Sequence[MissingFrames] = ()
    vacuum: Sequence[Trace] = ()
