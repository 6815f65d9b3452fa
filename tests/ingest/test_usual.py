"""Many messages decoded at once come to what each comes to alone."""

from __future__ import annotations

import json
import random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from detect.kinds import Channel
from detect.readings import CowAtStall
from detect.units import FlowUnit, VacuumUnit
from ingest.decode import Decoder, Frame, Rejected
from ingest.messages import Messages
from ingest.usual import decode_all
from ingest.wire import Message
from tests.ingest.mangled import bytes_changed, mangled
from tests.ingest.parlor import DECODER, PARLOR, ROOT, START_MS, cow, flow, record, vacuum

DECODERS = (
    DECODER,
    Decoder(ROOT, PARLOR, 4, VacuumUnit.INHG, FlowUnit.LB_MIN),
    Decoder(ROOT, PARLOR, 4, VacuumUnit.MBAR, FlowUnit.G_S),
)
NUMBERS = (
    *("0", "1", "-1", "42", "42.05", "-0", "-0.0", "0.0", "00", "01", "1.", ".5", "-.5", "+1", "1e1", "1E-2"),
    *("0.1", "0.30000000000000004", "123456789012345", "1234567890123456", "0.000000000000001", "1.5e300"),
    *(
        "9007199254740993",
        "99999999999999.9",
        "0.1234567890123456",
        "1e400",
        "NaN",
        "Infinity",
        "true",
        "null",
    ),
    *('"1"', "[]", "[1]", "{}", "1 2", "1,", "--1", "1-", "109.99999999999999", "110", "110.00000000000001"),
    *("-20", "-20.000000000000004", "-19.999999999999996", "10000", "10000.1", "360", "-360.5", "30", "30.1"),
)
WHOLE = (
    "0",
    "7",
    "-1",
    "1.0",
    "01",
    "1e3",
    "9223372036854775807",
    "9223372036854775808",
    "999999999999999999",
    "",
)
TIMES = (
    START_MS,
    946_684_799_999,
    946_684_800_000,
    4_102_444_799_999,
    4_102_444_800_000,
    START_MS + 86_400_001,
)
GAPS = ("", " ", "\t", "\n", "\r", "\x0b", "\x0c", "\xa0", "  \r\n")
BOOTS = (
    '"a"',
    '""',
    '"' + 64 * "x" + '"',
    '"' + 65 * "x" + '"',
    '"\\u0061"',
    '"\u00e9"',
    '"a\tb"',
    "null",
    "3",
    '"a b"',
)
CHANNELS = ('"lf"', '"rr"', '"claw"', '"CLAW"', '"l"', '""', "null", "1", '"claw\\u0000"')
HEADS = (
    "stall/1/vacuum",
    "stall/4/flow",
    "stall/2/arm",
    "stall/3/cow",
    "plant/vacuum",
    "stall/5/flow",
    "plant/flow",
)


def same(messages: list[Message], decoder: Decoder) -> int:
    """Hold all outcomes against those of the messages alone; return how many the scan read."""
    decoded = decode_all(decoder, Messages.of(messages))
    for at, message in enumerate(messages):
        alone = decoder.decode(message)
        assert told(decoded.frame(at)) == told(alone), message
        if decoded.stamps["read"][at]:
            assert isinstance(alone, Frame)
            assert repr(decoded.readings.reading(at)) == repr(alone.content)
    return int(decoded.stamps["read"].sum())


def told(outcome: Frame | Rejected) -> str:
    """Return an outcome to the last bit of its numbers."""
    with np.printoptions(floatmode="unique", threshold=10_000):
        return repr(outcome)


def test_what_devices_send_is_scanned() -> None:
    """All of an ordinary record but the cows is read by the scan, with the same outcome."""
    messages = record(40)
    decoded = decode_all(DECODER, Messages.of(messages))
    cows = sum(isinstance(decoded.readings, CowAtStall) or m.topic.endswith("/cow") for m in messages)
    assert same(messages, DECODER) == len(messages) - cows


def test_quarters_boot_marks_and_white_space_are_scanned() -> None:
    """As the contract allows them, in any order of the fields."""
    body = {"channel": "rr", "kpa": [40, 41.5], "boot": "a 1", "rate_hz": 50, "t_ms": START_MS, "seq": 5}
    payload = json.dumps(body, indent=1).encode()
    message = Message(START_MS * 10**6, f"{ROOT}/{PARLOR}/stall/2/vacuum", payload)
    assert same([message], DECODER) == 1
    frame = decode_all(DECODER, Messages.of([message])).frame(0)
    assert isinstance(frame, Frame)
    assert (frame.stamp.boot, frame.stamp.seq) == ("a 1", 5)
    assert getattr(frame.content, "channel", None) is Channel.RIGHT_REAR


@settings(max_examples=300, deadline=None)
@given(seed=st.integers(0, 2**64), which=st.sampled_from(DECODERS))
def test_mangled_messages_come_to_the_same(seed: int, which: Decoder) -> None:
    """Good messages with bytes, fields and topics changed, among good ones."""
    rng = random.Random(seed)
    messages = [mangled(rng) for _ in range(20)]
    good = [vacuum(1, 3), vacuum(None, 4), flow(2, 3), cow(3, 3, "bell"), arm()]
    messages += [changed(rng, message) for message in good for _ in range(6)]
    rng.shuffle(messages)
    same(messages, which)


@settings(max_examples=300, deadline=None)
@given(seed=st.integers(0, 2**64), which=st.sampled_from(DECODERS))
def test_odd_but_readable_messages_come_to_the_same(seed: int, which: Decoder) -> None:
    """Fields of many forms at the edges of what is allowed, in any order, with white space."""
    rng = random.Random(seed)
    messages = [odd(rng) for _ in range(60)]
    same(messages, which)


def test_neither_way_is_idle_on_odd_messages() -> None:
    """A good part of them is scanned, and a good part is left to the wire."""
    rng = random.Random(1)
    assert 60 < same([odd(rng) for _ in range(500)], DECODER) < 400


@pytest.mark.parametrize("number", NUMBERS)
@pytest.mark.parametrize("head", HEADS[:5])
def test_every_form_of_number_comes_to_the_same(head: str, number: str) -> None:
    """In every place where a number may stand."""
    fields = {"seq": "1", "t_ms": str(START_MS), "rate_hz": "50", "kpa": f"[{number}]", "kg_min": number}
    fields |= {"angle_deg": f"[1,{number}]", "cord_mm": f"[{number}, 2.5]"}
    wanted = {"vacuum": ("rate_hz", "kpa"), "flow": ("kg_min",), "arm": ("rate_hz", "angle_deg", "cord_mm")}
    names = ("seq", "t_ms", *wanted.get(head.rsplit("/", 1)[1], ("kpa",)))
    messages = [written(head, {name: fields[name] for name in names})]
    messages += [written(head, {n: number if n == name else fields[n] for n in names}) for name in names]
    same(messages, DECODER)


def test_a_scan_reads_doubles_as_the_wire_does() -> None:
    """Two thousand numbers of up to 15 digits, to the last bit."""
    rng = random.Random(3)
    numbers = [f"{rng.uniform(-20, 110):.{rng.randrange(14)}f}" for _ in range(2000)]
    head, fields = "stall/1/vacuum", {"seq": "1", "t_ms": str(START_MS), "rate_hz": "1000"}
    messages = [written(head, fields | {"kpa": f"[{number}]"}) for number in numbers]
    assert same(messages, DECODER) > 1500


def test_no_number_is_read_beyond_its_payload() -> None:
    """A payload cut anywhere and the rest of it as the next message: each is what it is alone."""
    whole = written(
        "stall/1/vacuum", {"seq": "1", "t_ms": str(START_MS), "rate_hz": "50", "kpa": "[1.5,-2.25,3]"}
    )
    for cut in range(len(whole.payload) + 1):
        halves = (whole.payload[:cut], whole.payload[cut:])
        same([Message(whole.recv_ns, whole.topic, half) for half in halves], DECODER)


def odd(rng: random.Random) -> Message:
    """Return a message of which most fields are good and some at an edge."""
    head = rng.choice(HEADS if rng.random() < 0.3 else HEADS[:5])
    count = rng.choice((0, 1, 2, 2, 3, 3, 3, 3, 3, 3))
    fields = {
        "seq": rng.choice(WHOLE) if rng.random() < 0.05 else "3",
        "t_ms": str(rng.choice(TIMES)) if rng.random() < 0.1 else str(START_MS),
    }
    if "vacuum" in head or rng.random() < 0.05:
        fields |= {"rate_hz": rate(rng), "kpa": listed(rng, count)}
    if "flow" in head or rng.random() < 0.05:
        fields["kg_min"] = one(rng)
    if "arm" in head or rng.random() < 0.05:
        fields |= {"rate_hz": rate(rng), "angle_deg": listed(rng, count), "cord_mm": listed(rng, count)}
    if rng.random() < 0.3:
        fields["boot"] = rng.choice(BOOTS)
    if rng.random() < 0.2:
        fields["channel"] = rng.choice(CHANNELS)
    if rng.random() < 0.1:
        fields[rng.choice(("extra", "kp", "kpaa", "", "seq "))] = rng.choice(NUMBERS)
    if rng.random() < 0.1:
        del fields[rng.choice(list(fields))]
    names = list(fields)
    if rng.random() < 0.4:
        rng.shuffle(names)
    if rng.random() < 0.05:
        names.append(rng.choice(names))
    return written(head, [(name, fields[name]) for name in names], rng)


def one(rng: random.Random) -> str:
    """Return a number: one in thirty of an odd form, one in ten with many digits."""
    if rng.random() < 0.03:
        return rng.choice(NUMBERS)
    digits = rng.randrange(12, 18) if rng.random() < 0.1 else rng.randrange(4)
    return f"{rng.uniform(-1, 32):.{digits}f}"


def rate(rng: random.Random) -> str:
    odd_rate = rng.choice(("49.9", "1000.1", "0.5", "0.4", "5", "1e2", "100.25", "1000"))
    return odd_rate if rng.random() < 0.2 else rng.choice(("50", "50.0", "100"))


def listed(rng: random.Random, count: int) -> str:
    gap = rng.choice(GAPS) if rng.random() < 0.1 else ""
    return f"[{gap}" + f"{gap},{gap}".join(one(rng) for _ in range(count)) + f"{gap}]"


def written(
    head: str, fields: dict[str, str] | list[tuple[str, str]], rng: random.Random | None = None
) -> Message:
    """Write the fields as they are."""
    pairs = list(fields.items()) if isinstance(fields, dict) else fields
    gap = rng.choice(GAPS) if rng and rng.random() < 0.2 else ""
    body = f"{gap},{gap}".join(f'"{name}"{gap}:{gap}{value}' for name, value in pairs)
    payload = f"{gap}{{{gap}{body}{gap}}}{gap}".encode()
    return Message(START_MS * 10**6, f"{ROOT}/{PARLOR}/{head}", payload)


def arm() -> Message:
    """Return an arm's frame."""
    return written(
        "stall/2/arm",
        {"seq": "1", "t_ms": str(START_MS), "rate_hz": "5", "angle_deg": "[1,2]", "cord_mm": "[3,4]"},
    )


def changed(rng: random.Random, message: Message) -> Message:
    """Return a message with one small change, or as it is."""
    payload = bytes_changed(rng, message.payload) if rng.random() < 0.8 else message.payload
    return Message(message.recv_ns, message.topic, payload)
