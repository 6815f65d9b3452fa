"""The wire reads what the contract says and refuses everything else with a reason."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.wire import (
    MAX_SAMPLES,
    REASON_CHARS,
    Address,
    ArmPayload,
    CowPayload,
    DevicePayload,
    FlowPayload,
    Payload,
    StreamKind,
    Unreadable,
    VacuumChannel,
    VacuumPayload,
    committed_topic,
    is_outgoing,
    parse_payload,
    parse_topic,
    plant_topic,
    stall_topic,
)

T_MS = 1_790_000_000_000
VACUUM: dict[str, object] = {"seq": 7, "t_ms": T_MS, "rate_hz": 100, "kpa": [42.1, 41.9]}
FLOW: dict[str, object] = {"seq": 7, "t_ms": T_MS, "kg_min": 3.2}
ARM: dict[str, object] = {
    "seq": 7,
    "t_ms": T_MS,
    "rate_hz": 5,
    "angle_deg": [1.0, 2.0],
    "cord_mm": [200, 201.5],
}
COW: dict[str, object] = {"seq": 7, "t_ms": T_MS, "cow": "4711"}
VALID: dict[StreamKind, dict[str, object]] = {
    StreamKind.VACUUM: VACUUM,
    StreamKind.FLOW: FLOW,
    StreamKind.ARM: ARM,
    StreamKind.COW: COW,
}

json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner, max_size=4),
    max_leaves=8,
)


def read(kind: StreamKind, fields: object) -> Payload | Unreadable:
    """Parse a payload given as a Python value; Python's JSON writes NaN as a bare word."""
    return parse_payload(kind, json.dumps(fields).encode())


@given(kind=st.sampled_from(StreamKind), payload=st.binary(max_size=200))
def test_any_bytes_become_a_payload_or_a_reason(kind: StreamKind, payload: bytes) -> None:
    """No bytes whatever raise; a refusal has a short reason."""
    read_back = parse_payload(kind, payload)
    if isinstance(read_back, Unreadable):
        assert 0 < len(read_back.reason) <= REASON_CHARS
    else:
        assert isinstance(read_back, DevicePayload)


@given(kind=st.sampled_from(StreamKind), data=st.data())
def test_one_field_replaced_by_any_json_never_raises(kind: StreamKind, data: st.DataObject) -> None:
    """A message that is right but for one field ends as a payload or as a reason."""
    name = data.draw(st.sampled_from(sorted(VALID[kind])))
    read_back = read(kind, VALID[kind] | {name: data.draw(json_values)})
    assert isinstance(read_back, DevicePayload | Unreadable)


@pytest.mark.parametrize("kind", StreamKind)
@pytest.mark.parametrize(
    "missing", ["seq", "t_ms", "kpa", "kg_min", "rate_hz", "angle_deg", "cord_mm", "cow"]
)
def test_a_missing_field_is_named(kind: StreamKind, missing: str) -> None:
    """Whatever required field is left out, the reason names it; a field of another kind is not missed."""
    read_back = read(kind, {name: value for name, value in VALID[kind].items() if name != missing})
    if missing in VALID[kind]:
        assert read_back == Unreadable(f"{kind} payload: {missing}: Field required")
    else:
        assert isinstance(read_back, DevicePayload)


@pytest.mark.parametrize(
    ("kind", "change", "named"),
    [
        (StreamKind.FLOW, {"kg_min": float("nan")}, "kg_min"),
        (StreamKind.FLOW, {"kg_min": float("inf")}, "kg_min"),
        (StreamKind.FLOW, {"kg_min": -0.1}, "kg_min"),
        (StreamKind.FLOW, {"kg_min": "3.2"}, "kg_min"),
        (StreamKind.FLOW, {"kg_min": True}, "kg_min"),
        (StreamKind.FLOW, {"seq": -1}, "seq"),
        (StreamKind.FLOW, {"seq": 1.5}, "seq"),
        (StreamKind.FLOW, {"seq": 2**63}, "seq"),
        (StreamKind.FLOW, {"t_ms": T_MS * 1000}, "t_ms"),
        (StreamKind.FLOW, {"t_ms": 0}, "t_ms"),
        (StreamKind.FLOW, {"boot": 5}, "boot"),
        (StreamKind.VACUUM, {"rate_hz": -100}, "rate_hz"),
        (StreamKind.VACUUM, {"rate_hz": 49.9}, "rate_hz"),
        (StreamKind.VACUUM, {"rate_hz": 1001}, "rate_hz"),
        (StreamKind.VACUUM, {"kpa": []}, "kpa"),
        (StreamKind.VACUUM, {"kpa": [42.0, float("nan")]}, "kpa.1"),
        (StreamKind.VACUUM, {"kpa": [42.0] * (MAX_SAMPLES + 1)}, "kpa"),
        (StreamKind.VACUUM, {"channel": "middle"}, "channel"),
        (StreamKind.ARM, {"cord_mm": [200.0]}, "differ in length"),
        (StreamKind.ARM, {"rate_hz": 0}, "rate_hz"),
        (StreamKind.COW, {"cow": 4711}, "cow"),
        (StreamKind.COW, {"cow": ""}, "cow"),
        (StreamKind.COW, {"dim": -1}, "dim"),
    ],
)
def test_an_impossible_field_is_refused_by_name(
    kind: StreamKind, change: dict[str, object], named: str
) -> None:
    """The reason of an impossible value names the kind and the field."""
    read_back = read(kind, VALID[kind] | change)
    assert isinstance(read_back, Unreadable)
    assert read_back.reason.startswith(f"{kind} payload: ")
    assert named in read_back.reason


@pytest.mark.parametrize("kind", StreamKind)
def test_unknown_fields_are_ignored_and_counted(kind: StreamKind) -> None:
    """A field of a later device does not cost the message."""
    read_back = read(kind, VALID[kind] | {"firmware": "2.1", "rssi": -60})
    assert isinstance(read_back, DevicePayload)
    assert read_back.extra_fields == 2


def test_integers_are_good_numbers() -> None:
    """JSON has one kind of number: whole vacuum readings are readings."""
    read_back = read(StreamKind.VACUUM, VACUUM | {"kpa": [42, 41]})
    assert isinstance(read_back, VacuumPayload)
    assert read_back.kpa == [42.0, 41.0]


@pytest.mark.parametrize(
    "payload",
    [
        VacuumPayload(seq=0, t_ms=T_MS, rate_hz=100.0, kpa=[42.25, 41.5]),
        VacuumPayload(seq=1, t_ms=T_MS, boot="b", rate_hz=1000.0, kpa=[1.0], channel=VacuumChannel.LEFT_REAR),
        FlowPayload(seq=2, t_ms=T_MS, kg_min=0.0),
        ArmPayload(seq=3, t_ms=T_MS, rate_hz=5.0, angle_deg=[-3.5], cord_mm=[150.0]),
        CowPayload(seq=4, t_ms=T_MS, cow="4711", milker="m1", group="g", parity=2, dim=90),
        CowPayload(seq=5, t_ms=T_MS, boot="b", cow=None),
    ],
)
def test_what_is_written_is_read_back(payload: Payload) -> None:
    """Writing and reading a payload gives the same payload."""
    kind = next(kind for kind in StreamKind if type(payload).__name__.lower().startswith(kind))
    assert parse_payload(kind, payload.to_bytes()) == payload


def test_absent_fields_are_not_written_but_an_empty_stall_is() -> None:
    """Null means something for a cow only."""
    empty = CowPayload(seq=5, t_ms=T_MS, cow=None)
    assert json.loads(empty.to_bytes()) == {"seq": 5, "t_ms": T_MS, "cow": None}
    flow = FlowPayload(seq=2, t_ms=T_MS, kg_min=1.0)
    assert json.loads(flow.to_bytes()) == {"seq": 2, "t_ms": T_MS, "kg_min": 1.0}


@given(stall=st.integers(1, 9999), kind=st.sampled_from(StreamKind))
def test_every_stall_topic_is_read_back(stall: int, kind: StreamKind) -> None:
    """A topic names its stall and kind, also below a root of several levels."""
    topic = stall_topic(root="farm/milking", parlor="willowmere", stall=stall, kind=kind)
    assert parse_topic(topic, root="farm/milking", parlor="willowmere") == Address(stall, kind)


def test_the_plant_has_a_vacuum_and_nothing_else() -> None:
    """The plant's vacuum has no stall; a plant's milk flow does not exist."""
    vacuum = plant_topic(root="milking", parlor="willowmere", kind=StreamKind.VACUUM)
    flow = plant_topic(root="milking", parlor="willowmere", kind=StreamKind.FLOW)
    assert parse_topic(vacuum, root="milking", parlor="willowmere") == Address(None, StreamKind.VACUUM)
    assert isinstance(parse_topic(flow, root="milking", parlor="willowmere"), Unreadable)


@pytest.mark.parametrize(
    "topic",
    [
        "",
        "milking/willowmere",
        "milking/willowmere/",
        "milking/other/stall/3/vacuum",
        "other/willowmere/stall/3/vacuum",
        "milking/willowmere/stall/0/vacuum",
        "milking/willowmere/stall/03/vacuum",
        "milking/willowmere/stall/-3/vacuum",
        "milking/willowmere/stall/٣/vacuum",
        "milking/willowmere/stall/99999/vacuum",
        "milking/willowmere/stall/3/temperature",
        "milking/willowmere/stall/3/vacuum/raw",
        "milking/willowmere/plant",
    ],
)
def test_an_unknown_topic_has_a_reason(topic: str) -> None:
    """No second spelling of a stall and no unknown level is taken for a stream."""
    read_back = parse_topic(topic, root="milking", parlor="willowmere")
    assert isinstance(read_back, Unreadable)
    assert read_back.reason.startswith("unknown topic")


@given(topic=st.text(max_size=40))
def test_no_topic_raises(topic: str) -> None:
    """Any text below the parlor is an address or unreadable."""
    read_back = parse_topic(f"milking/willowmere/{topic}", root="milking", parlor="willowmere")
    assert isinstance(read_back, Address | Unreadable)


def test_our_own_topics_are_known() -> None:
    """What we publish ourselves comes back through the parlor's filter and is recognised."""
    names = {"root": "milking", "parlor": "willowmere"}
    assert committed_topic(**names, stall=3) == "milking/willowmere/committed/3"
    assert committed_topic(**names, stall=None) == "milking/willowmere/committed/plant"
    assert is_outgoing("milking/willowmere/committed/3", **names)
    assert is_outgoing("milking/willowmere/alert/3", **names)
    assert not is_outgoing("milking/willowmere/stall/3/vacuum", **names)
