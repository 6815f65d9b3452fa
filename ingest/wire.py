"""The wire: topics and JSON payloads exactly as devices send them, in the devices' own units.

The only module shared with the simulator, so it knows nothing of the detector. Bytes become a
payload or an `Unreadable` with a reason; hostile bytes never raise.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Annotated, Final, Self

from pydantic import BaseModel, ConfigDict, FailFast, Field, TypeAdapter, ValidationError, model_validator

EARLIEST_MS: Final = 946_684_800_000
"""2000-01-01T00:00Z: a device clock before it was never set (engineering choice)."""
LATEST_MS: Final = 4_102_444_800_000
"""2100-01-01T00:00Z: later is a unit error such as microseconds (engineering choice)."""
MAX_SEQ: Final = 2**63 - 1
"""Largest sequence number the store's BIGINT can hold."""
MAX_SAMPLES: Final = 4096
"""Most samples in one frame: four times the contract's 1 s at 1000 Hz (engineering choice)."""
MAX_STALL_DIGITS: Final = 4
"""Longest stall number a topic may carry; the parlor's own number of stalls is checked later."""
VACUUM_HZ: Final = (50.0, 1000.0)
"""Least and highest rate of vacuum samples (contract)."""
ARM_HZ: Final = (0.5, 1000.0)
"""Least and highest rate of arm samples (engineering choice)."""
REASON_CHARS: Final = 200
"""A reason is cut here, so that a hostile message cannot write a long one."""


class StreamKind(StrEnum):
    """Kind of a stream: the last level of its topic."""

    VACUUM = "vacuum"
    FLOW = "flow"
    ARM = "arm"
    COW = "cow"


class VacuumChannel(StrEnum):
    """Where a vacuum frame was measured: the claw, or the short milk tube of one quarter."""

    CLAW = "claw"
    LEFT_FRONT = "lf"
    RIGHT_FRONT = "rf"
    LEFT_REAR = "lr"
    RIGHT_REAR = "rr"


@dataclass(frozen=True, slots=True)
class Message:
    """One message as received; ``recv_ns`` is the receiver's clock [ns since 1970-01-01 UTC]."""

    recv_ns: int
    topic: str
    payload: bytes


@dataclass(frozen=True, slots=True)
class Address:
    """What a topic names; ``stall`` is None for the vacuum plant."""

    stall: int | None
    kind: StreamKind


@dataclass(frozen=True, slots=True)
class Unreadable:
    """Why a topic or a payload cannot be read, as one short line."""

    reason: str


_KINDS: Final = {kind.value: kind for kind in StreamKind}


def stall_topic(*, root: str, parlor: str, stall: int, kind: StreamKind) -> str:
    """Return the topic of one stream of one stall."""
    return f"{root}/{parlor}/stall/{stall}/{kind}"


def plant_topic(*, root: str, parlor: str, kind: StreamKind) -> str:
    """Return the topic of one stream of the vacuum plant."""
    return f"{root}/{parlor}/plant/{kind}"


def committed_topic(*, root: str, parlor: str, stall: int | None) -> str:
    """Return the retained topic that tells a gateway what is durably stored; None means the plant."""
    return f"{root}/{parlor}/committed/{'plant' if stall is None else stall}"


def alert_topic(*, root: str, parlor: str, stall: int | None) -> str:
    """Return the retained topic of a stall's alert, for a lamp or horn; None means the plant."""
    return f"{root}/{parlor}/alert/{'plant' if stall is None else stall}"


def parlor_filter(*, root: str, parlor: str) -> str:
    """Return the MQTT topic filter of a parlor: all of it, so that an unknown topic is seen and told."""
    return f"{root}/{parlor}/#"


def is_outgoing(topic: str, *, root: str, parlor: str) -> bool:
    """Tell whether a topic of the parlor is one this program publishes itself."""
    return topic.startswith((f"{root}/{parlor}/committed/", f"{root}/{parlor}/alert/"))


def parse_topic(topic: str, *, root: str, parlor: str) -> Address | Unreadable:
    """Read a device topic of this parlor.

    Returns
    -------
    Address | Unreadable
        The address, or the reason why the topic is none of this parlor's streams.
    """
    prefix = f"{root}/{parlor}/"
    if not topic.startswith(prefix):
        return Unreadable("unknown topic: not of this parlor")
    match topic[len(prefix) :].split("/"):
        case ["stall", number, kind] if _is_stall(number) and kind in _KINDS:
            return Address(int(number), _KINDS[kind])
        case ["plant", StreamKind.VACUUM]:
            return Address(None, StreamKind.VACUUM)
    return Unreadable("unknown topic: neither a stall's stream nor the plant's vacuum")


def _is_stall(text: str) -> bool:
    """Accept a plain positive decimal only: ``01`` or a non-Latin digit would be a second name of a stall."""
    return text.isascii() and text.isdigit() and not text.startswith("0") and len(text) <= MAX_STALL_DIGITS


Name = Annotated[str, Field(min_length=1, max_length=64)]
Samples = Annotated[list[float], Field(min_length=1, max_length=MAX_SAMPLES), FailFast()]


class DevicePayload(BaseModel):
    """What every payload carries.

    Types are strict (a number in quotes is refused), NaN and infinities are refused, unknown extra
    fields are kept aside so that they can be counted (`extra_fields`).

    Parameters
    ----------
    seq:
        Sequence number, +1 per topic, from 0 at each restart of the device.
    t_ms:
        Device time [ms since 1970-01-01 UTC] of the first sample.
    boot:
        Text that changes at each restart of the device, if the device has one.
    """

    model_config = ConfigDict(frozen=True, strict=True, extra="allow", allow_inf_nan=False)

    seq: int = Field(ge=0, le=MAX_SEQ)
    t_ms: int = Field(ge=EARLIEST_MS, lt=LATEST_MS)
    boot: Name | None = None

    @property
    def extra_fields(self) -> int:
        """Number of fields this program does not know."""
        return len(self.model_extra or ())

    def to_bytes(self) -> bytes:
        """Write the payload as compact JSON without absent fields."""
        return self.__pydantic_serializer__.to_json(self, exclude_none=True)


class VacuumPayload(DevicePayload):
    """A frame of vacuum samples below atmosphere, in the parlor's vacuum unit (kPa unless configured)."""

    rate_hz: float = Field(ge=VACUUM_HZ[0], le=VACUUM_HZ[1])
    kpa: Samples
    channel: VacuumChannel | None = None


class FlowPayload(DevicePayload):
    """Milk flow of a unit, in the parlor's flow unit (kg/min unless configured)."""

    kg_min: float = Field(ge=0.0)


class ArmPayload(DevicePayload):
    """A frame of arm angles [deg above horizontal] and cord pay-outs [mm], equally long."""

    rate_hz: float = Field(ge=ARM_HZ[0], le=ARM_HZ[1])
    angle_deg: Samples
    cord_mm: Samples

    @model_validator(mode="after")
    def _same_length(self) -> Self:
        if len(self.angle_deg) != len(self.cord_mm):
            raise ValueError("angle_deg and cord_mm differ in length")
        return self


class CowPayload(DevicePayload):
    """Who stands at the stall from ``t_ms`` on; ``cow`` is null for an empty stall."""

    cow: Name | None
    milker: Name | None = None
    group: Name | None = None
    parity: int | None = Field(default=None, ge=0, le=30)
    dim: int | None = Field(default=None, ge=0, le=5000)

    def to_bytes(self) -> bytes:
        """Write the payload as compact JSON; an absent cow is written as null, it means an empty stall."""
        absent = {name for name, value in self if value is None and name != "cow"}
        return self.__pydantic_serializer__.to_json(self, exclude=absent)


Payload = VacuumPayload | FlowPayload | ArmPayload | CowPayload

_READERS: Final[dict[StreamKind, TypeAdapter[Payload]]] = {
    StreamKind.VACUUM: TypeAdapter(VacuumPayload),
    StreamKind.FLOW: TypeAdapter(FlowPayload),
    StreamKind.ARM: TypeAdapter(ArmPayload),
    StreamKind.COW: TypeAdapter(CowPayload),
}


def parse_payload(kind: StreamKind, payload: bytes) -> Payload | Unreadable:
    """Read one payload straight from its bytes.

    Parameters
    ----------
    kind:
        The stream's kind, from its topic.
    payload:
        The message body, UTF-8 JSON.

    Returns
    -------
    Payload | Unreadable
        The payload, or the reason of its first fault.
    """
    try:
        return _READERS[kind].validate_json(payload)
    except ValidationError as error:
        first = error.errors(include_url=False, include_context=False, include_input=False)[0]
        where = ".".join(str(part) for part in first["loc"])
        text = f"{where}: {first['msg']}" if where else first["msg"]
        return Unreadable(f"{kind} payload: {text}"[:REASON_CHARS])
