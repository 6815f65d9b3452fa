"""Decoding gives readings in the units used inside, and a reason for everything impossible."""

from __future__ import annotations

import json

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from detect.kinds import Channel
from detect.readings import ArmPosition, CowAtStall, MilkFlow, PlantVacuum, StallVacuum
from detect.units import FlowUnit, VacuumUnit
from ingest.decode import MAX_AHEAD_NS, MAX_PAYLOAD_BYTES, Decoder, Frame, Rejected, Stamp
from ingest.wire import Message

T_MS = 1_790_000_000_000
T_NS = T_MS * 1_000_000
DECODER = Decoder("milking", "willowmere", 24)
VACUUM = {"seq": 7, "t_ms": T_MS, "rate_hz": 100, "kpa": [42.1, 41.9]}


def message(end: str, fields: object, *, recv_ns: int = T_NS + 10**9) -> Message:
    """Return a message below the parlor's topic, received a second after its device time."""
    return Message(recv_ns, f"milking/willowmere/{end}", json.dumps(fields).encode())


def frame(decoder: Decoder, received: Message) -> Frame:
    """Decode a message that must be readable."""
    decoded = decoder.decode(received)
    assert isinstance(decoded, Frame)
    return decoded


def reason(received: Message, *, decoder: Decoder = DECODER) -> str:
    """Return why a message is rejected, with or without a place in its topic."""
    decoded = decoder.decode(received)
    content = decoded.content if isinstance(decoded, Frame) else decoded
    assert isinstance(content, Rejected)
    return content.reason


def test_a_stall_vacuum_keeps_its_samples_and_place() -> None:
    """The reading carries stall, first-sample time and samples; the frame its place."""
    decoded = frame(DECODER, message("stall/3/vacuum", VACUUM | {"boot": "b1"}))
    assert decoded.stamp == Stamp("b1", 7, T_NS)
    assert isinstance(decoded.content, StallVacuum)
    assert (decoded.content.stall, decoded.content.t_ns, decoded.content.rate_hz) == (3, T_NS, 100.0)
    assert decoded.content.channel is Channel.CLAW
    np.testing.assert_array_equal(decoded.content.vacuum_kpa, [42.1, 41.9])


@pytest.mark.parametrize("channel", Channel)
def test_a_quarter_keeps_its_channel(channel: Channel) -> None:
    """Every word of the contract for a channel is understood."""
    decoded = frame(DECODER, message("stall/3/vacuum", VACUUM | {"channel": channel.value}))
    assert isinstance(decoded.content, StallVacuum)
    assert decoded.content.channel is channel


def test_the_other_kinds_become_their_readings() -> None:
    """Plant vacuum, flow, arm and cow each become their own class."""
    plant = frame(DECODER, message("plant/vacuum", VACUUM)).content
    flow = frame(DECODER, message("stall/3/flow", {"seq": 1, "t_ms": T_MS, "kg_min": 3.2})).content
    arm_fields = {"seq": 1, "t_ms": T_MS, "rate_hz": 5, "angle_deg": [-4.5], "cord_mm": [250]}
    arm = frame(DECODER, message("stall/3/arm", arm_fields)).content
    cow_fields = {"seq": 1, "t_ms": T_MS, "cow": "4711", "milker": "m", "group": "g", "parity": 2, "dim": 90}
    cow = frame(DECODER, message("stall/3/cow", cow_fields)).content
    assert isinstance(plant, PlantVacuum)
    assert flow == MilkFlow(3, T_NS, 3.2)
    assert isinstance(arm, ArmPosition)
    assert (arm.angle_deg.tolist(), arm.cord_mm.tolist(), arm.rate_hz) == ([-4.5], [250.0], 5.0)
    assert cow == CowAtStall(3, T_NS, "4711", milker="m", group="g", parity=2, dim=90)


@pytest.mark.source("common practice, no source: 14 inHg is an ordinary claw vacuum, 47.4 kPa")
def test_inches_of_mercury_become_kilopascals() -> None:
    """A parlor whose gauges read 14 inHg runs at 47.4 kPa."""
    decoder = Decoder("milking", "willowmere", 24, vacuum_unit=VacuumUnit.INHG)
    content = frame(decoder, message("stall/3/vacuum", VACUUM | {"kpa": [14.0]})).content
    assert isinstance(content, StallVacuum)
    assert content.vacuum_kpa[0] == pytest.approx(47.4, abs=0.05)


@pytest.mark.source("international yard and pound agreement, 1959: 1 lb = 0.45359237 kg (from memory)")
def test_pounds_a_minute_become_kilograms_a_minute() -> None:
    """The flow's unit is the configuration's."""
    decoder = Decoder("milking", "willowmere", 24, flow_unit=FlowUnit.LB_MIN)
    content = frame(decoder, message("stall/3/flow", {"seq": 1, "t_ms": T_MS, "kg_min": 10.0})).content
    assert isinstance(content, MilkFlow)
    assert content.flow_kg_min == pytest.approx(4.5359237)


@pytest.mark.parametrize(
    ("end", "fields", "said"),
    [
        ("stall/3/vacuum", VACUUM | {"kpa": [42.0, 110.1]}, "vacuum 110.1 kPa"),
        ("stall/3/vacuum", VACUUM | {"kpa": [-20.1, 42.0]}, "vacuum -20.1 kPa"),
        ("plant/vacuum", VACUUM | {"kpa": [500]}, "vacuum 500 kPa"),
        ("plant/vacuum", VACUUM | {"channel": "lf"}, "the plant has no quarters"),
        ("stall/3/flow", {"seq": 1, "t_ms": T_MS, "kg_min": 30.1}, "flow 30.1 kg/min"),
        ("stall/3/flow", {"seq": 1, "t_ms": T_MS, "kg_min": -1}, "kg_min"),
        ("stall/3/flow", {"seq": 1, "t_ms": T_MS, "kg_min": float("nan")}, "finite"),
        (
            "stall/3/arm",
            {"seq": 1, "t_ms": T_MS, "rate_hz": 5, "angle_deg": [361], "cord_mm": [1]},
            "angle 361 deg",
        ),
        (
            "stall/3/arm",
            {"seq": 1, "t_ms": T_MS, "rate_hz": 5, "angle_deg": [1], "cord_mm": [-1001]},
            "cord -1001 mm",
        ),
        ("stall/25/vacuum", VACUUM, "stall 25 of a parlor with 24"),
        ("stall/3/temperature", VACUUM, "unknown topic"),
        ("stall/3/vacuum", VACUUM | {"rate_hz": "fast"}, "rate_hz"),
        ("stall/3/vacuum", "not an object", "object"),
    ],
)
def test_the_impossible_is_rejected_with_its_reason(end: str, fields: object, said: str) -> None:
    """Every reason says what is wrong."""
    assert said in reason(message(end, fields))


def test_the_range_holds_after_conversion() -> None:
    """40 inHg is no vacuum, though 40 kPa is."""
    decoder = Decoder("milking", "willowmere", 24, vacuum_unit=VacuumUnit.INHG)
    assert "vacuum 135.5 kPa" in reason(message("stall/3/vacuum", VACUUM | {"kpa": [40]}), decoder=decoder)


def test_an_impossible_value_still_has_its_place() -> None:
    """A sensor that sends one wild value has lost that frame, not its place in the topic."""
    decoded = frame(DECODER, message("stall/3/vacuum", VACUUM | {"kpa": [500]}))
    assert decoded.stamp == Stamp(None, 7, T_NS)


def test_a_clock_more_than_a_day_ahead_is_impossible() -> None:
    """Exactly a day ahead is still read, a millisecond more is not."""
    at_limit = message("stall/3/vacuum", VACUUM, recv_ns=T_NS - MAX_AHEAD_NS)
    beyond = message("stall/3/vacuum", VACUUM, recv_ns=T_NS - MAX_AHEAD_NS - 1_000_000)
    assert isinstance(frame(DECODER, at_limit).content, StallVacuum)
    assert reason(beyond).startswith("impossible time")


def test_a_ten_megabyte_message_is_rejected_unread() -> None:
    """The size decides before the content is looked at."""
    huge = Message(T_NS, "milking/willowmere/stall/3/vacuum", b"[" * 10_000_000)
    assert reason(huge) == f"payload too large: 10000000 bytes, at most {MAX_PAYLOAD_BYTES}"


@given(end=st.text(max_size=20), payload=st.binary(max_size=100), recv_ns=st.integers(0, 2**63 - 1))
def test_no_message_raises(end: str, payload: bytes, recv_ns: int) -> None:
    """Any topic, payload and receive time becomes a frame or a reason."""
    decoded = DECODER.decode(Message(recv_ns, f"milking/willowmere/{end}", payload))
    assert isinstance(decoded, Frame | Rejected)
