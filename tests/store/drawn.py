"""Results and batches for the store's tests: plain samples, and strategies that draw any."""

from __future__ import annotations

from dataclasses import fields
from enum import Enum
from types import UnionType
from typing import Any, Union, get_args, get_origin, get_type_hints

from hypothesis import strategies as st

from detect.checkpoint import Checkpoint
from detect.kinds import AirKind, Cause, Condition, Phase, SupportState
from detect.results import AirEvent, ConditionEvent, Milking, PlantEvent, Result, SupportEvent
from store.batch import Batch, MissingFrames, Quarantined, Watermark
from store.history import History

T0_NS = 1_760_000_000_000_000_000
PARLOR = "willowmere"
SECOND_NS = 1_000_000_000


def rows(history: History, sql: str) -> list[tuple[Any, ...]]:
    """Return the rows of a question."""
    reader = history.reader()
    try:
        return reader.execute(sql).fetchall()
    finally:
        reader.close()


def air_event(number: int, **changes: Any) -> AirEvent:
    """Return a slip like many others."""
    start_ns = T0_NS + number * SECOND_NS
    values: dict[str, Any] = {
        "event_id": f"{PARLOR}-{number}",
        "parlor": PARLOR,
        "stall": number % 80 + 1,
        "milking_id": None,
        "kind": AirKind.LINER_SLIP,
        "start_ns": start_ns,
        "end_ns": start_ns + SECOND_NS,
        "detected_ns": start_ns + SECOND_NS // 2,
        "depth_kpa": 5.5,
        "max_fall_kpa_250ms": 4.25,
        "air_l": 0.4,
        "peak_air_l_min": 60.0,
        "pulses": 2,
        "flow_kg_min": 1.5,
        "phase": Phase.DECLINE,
        "impact_kpa": 1.25,
        "cause": Cause.WEIGHT_NOT_CARRIED,
        "cause_share": 0.7,
        "confidence": 0.9,
        "detector": "1+0123abcd",
    }
    return AirEvent(**(values | changes))


def milking(number: int, **changes: Any) -> Milking:
    """Return a quiet milking of seven minutes."""
    start_ns = T0_NS + number * SECOND_NS
    values: dict[str, Any] = {
        "milking_id": f"m-{number}",
        "parlor": PARLOR,
        "stall": number % 80 + 1,
        "cow": f"cow {number}",
        "milker": None,
        "group_name": "fresh",
        "start_ns": start_ns,
        "end_ns": start_ns + 420 * SECOND_NS,
        "yield_kg": 12.5,
        "unit_on_s": 400.0,
        "mean_flow_kg_min": 1.875,
        "peak_flow_kg_min": 4.0,
        "two_minute_kg": 5.0,
        "low_flow_s": 20.0,
        "mean_claw_kpa": 38.0,
        "vacuum_at_removal_kpa": None,
        "slips": 0,
        "slip_air_l": 0.0,
        "late_slips": 0,
        "impact_load_kpa": 0.0,
        "fall_offs": 0,
        "reattaches": 0,
        "unsupported_s": 0.0,
        "coverage_ratio": 1.0,
        "complete": True,
    }
    return Milking(**(values | changes))


def condition(start_ns: int = T0_NS, **changes: Any) -> ConditionEvent:
    """Return a frozen sensor that has not ended."""
    values: dict[str, Any] = {
        "parlor": PARLOR,
        "stall": 7,
        "start_ns": start_ns,
        "end_ns": None,
        "detected_ns": start_ns + 10 * SECOND_NS,
        "condition": Condition.SENSOR_FROZEN,
        "evidence": "0.00 kPa spread in 10 s",
    }
    return ConditionEvent(**(values | changes))


def one_of_each() -> list[Result]:
    """Return one result of every class."""
    return [
        air_event(1),
        SupportEvent(PARLOR, 3, "m-1", T0_NS, T0_NS + SECOND_NS, T0_NS + SECOND_NS, SupportState.DRAG, 0.25),
        milking(1),
        PlantEvent(PARLOR, T0_NS, T0_NS + SECOND_NS, 6.0, 41),
        condition(),
    ]


def refused(number: int = 0, payload: bytes = b"{") -> Quarantined:
    """Return a message that was no JSON."""
    return Quarantined(T0_NS + number * SECOND_NS, "milking/willowmere/stall/1/vacuum", payload, "no JSON")


def missing_frames(number: int = 0) -> MissingFrames:
    """Return three frames of a stall that never came."""
    t_ns = T0_NS + number * SECOND_NS
    return MissingFrames(7, "vacuum", "b1", number, number + 2, t_ns, t_ns + SECOND_NS)


def full_batch(number: int = 1) -> Batch:
    """Return a batch that touches every part of a commit."""
    return Batch(
        PARLOR,
        [*one_of_each(), air_event(number + 10)],
        [refused(number)],
        {"milking/willowmere/stall/1/vacuum": Watermark("b1", number, T0_NS + number)},
        Checkpoint(1, "0123abcd", {0: b"parlor", 1: bytes([number % 256])}),
        [missing_frames(number)],
    )


_TIMES = st.integers(min_value=946_684_800 * SECOND_NS, max_value=4_102_444_800 * SECOND_NS)
_WORDS = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\x00"), max_size=8)
_BY_TYPE: dict[Any, st.SearchStrategy[Any]] = {
    int: st.integers(min_value=1, max_value=120),
    float: st.floats(allow_nan=False, allow_infinity=False),
    bool: st.booleans(),
    str: _WORDS,
    type(None): st.none(),
}


def _value(name: str, kind: Any) -> st.SearchStrategy[Any]:
    """Return a strategy for one field."""
    if get_origin(kind) in (Union, UnionType):
        return st.one_of([_value(name, part) for part in get_args(kind)])
    if isinstance(kind, type) and issubclass(kind, Enum):
        return st.sampled_from(kind)
    return _TIMES if kind is int and name.endswith("_ns") else _BY_TYPE[kind]


def _ordered(result: Any) -> bool:
    """Return whether a result ends after it starts."""
    return result.end_ns is None or result.end_ns >= result.start_ns


def results_of(kind: type[Any]) -> st.SearchStrategy[Any]:
    """Return a strategy that draws any result of a class."""
    hints = get_type_hints(kind)
    drawn = st.builds(kind, **{f.name: _value(f.name, hints[f.name]) for f in fields(kind)})
    return drawn.map(_in_order)


def _in_order(result: Any) -> Any:
    """Return a result with its ends exchanged when it ends before it starts."""
    if _ordered(result):
        return result
    values = {f.name: getattr(result, f.name) for f in fields(result)}
    return type(result)(**(values | {"start_ns": result.end_ns, "end_ns": result.start_ns}))


RESULT_CLASSES = (AirEvent, SupportEvent, Milking, PlantEvent, ConditionEvent)
any_result: st.SearchStrategy[Result] = st.one_of([results_of(kind) for kind in RESULT_CLASSES])
any_refused: st.SearchStrategy[Quarantined] = st.builds(
    Quarantined, recv_ns=_TIMES, topic=_WORDS, payload=st.binary(max_size=20), reason=_WORDS
)
