"""The drum record keeps what happened, in few bytes, and forgets what is past."""

from __future__ import annotations

import json
import re
from dataclasses import replace

from dashboards.live.lanes import SPAN_S, Lanes
from detect.kinds import AirKind
from detect.results import PlantEvent
from detect.views import PlantNow, StallNow
from tests.dashboards.stage import START_NS, S, idle, milked, slip


def plant(second: float, *, dip_since_ns: int | None = None) -> PlantNow:
    return PlantNow(START_NS + round(second * S), dip_since_ns, 5.0)


def unpacked(runs: str) -> str:
    return "".join(code * int(count) for code, count in re.findall(r"(\D)(\d+)", runs))


def test_each_second_is_one_column_of_codes() -> None:
    """Idle, no data, milking at its flow, and the same uncarried, each have their character."""
    lanes = Lanes(5)
    stalls = [
        idle(1),
        replace(milked(2), silent_s=3.0),
        milked(3, flow_kg_min=0.0),
        milked(4, flow_kg_min=99.0),
        replace(milked(5, flow_kg_min=3.0), unsupported_since_ns=START_NS),
    ]
    lanes.add(stalls, plant(0), ())
    tick = lanes.add(stalls, plant(2.5), ())
    assert tick.columns == (".?APg", ".?APg")
    assert tick.first_s == START_NS // S


def test_a_snapshot_unpacks_to_the_columns_told() -> None:
    """Whoever comes late sees what the others see."""
    lanes = Lanes(3)
    columns: list[str] = []
    for k in range(40):
        stalls = [milked(stall, flow_kg_min=(k * stall) % 7) for stall in (1, 2, 3)]
        columns += lanes.add(stalls, plant(k), ()).columns
    snapshot = lanes.snapshot()
    assert [unpacked(runs) for runs in snapshot["lanes"]] == [
        "".join(lane) for lane in zip(*columns, strict=True)
    ]
    assert snapshot["from"] == START_NS // S
    assert snapshot["t"] == (START_NS + 39 * S) // 1_000_000


def test_marks_and_dips_carry_place_size_and_kind_and_are_forgotten() -> None:
    """A mark leaves the record with its second."""
    lanes = Lanes(2)
    events = (slip(2, START_NS, air_l=0.456), PlantEvent("willowmere", START_NS, START_NS + 2 * S, 3.21, 2))
    fall = slip(1, START_NS + S, kind=AirKind.FALL_OFF)
    tick = lanes.add([idle(1), milked(2)], plant(3), (*events, fall))
    ms = START_NS // 1_000_000
    assert tick.marks == ([2, ms, ms + 1000, 0.46, "s"], [1, ms + 1000, ms + 2000, 0.5, "f"])
    assert tick.dips == ([ms, ms + 2000, 3.2],)
    assert len(lanes.snapshot()["marks"]) == 2
    lanes.add([idle(1), milked(2)], plant(SPAN_S + 10), ())
    snapshot = lanes.snapshot()
    assert (snapshot["marks"], snapshot["dips"]) == ([], [])


def test_air_that_enters_now_is_told_before_it_is_an_event() -> None:
    """The notch grows while the cow is still there."""
    lanes = Lanes(1)
    lanes.add([replace(milked(1), air_since_ns=START_NS, air_l=0.789, low_s=0.26)], plant(1), ())
    assert lanes.open == [[1, START_NS // 1_000_000, 0.79, 0.3]]
    lanes.add([milked(1)], plant(2, dip_since_ns=START_NS + S), ())
    assert lanes.open == []
    assert lanes.dip == [(START_NS + S) // 1_000_000, 5.0]


def test_a_leap_in_time_begins_a_new_record() -> None:
    """After an outage longer than a lane nothing old is drawn beside the new."""
    lanes = Lanes(1)
    for k in range(5):
        lanes.add([milked(1)], plant(k), ())
    lanes.add([milked(1)], plant(4 + 2 * SPAN_S), ())
    assert lanes.snapshot()["lanes"] == [""]


def test_the_record_of_a_large_parlor_stays_small() -> None:
    """Ten minutes of 80 stalls, with flows that change all the time, go over the wire in under 40 kB."""
    lanes = Lanes(80)
    made: list[StallNow] = []
    for k in range(SPAN_S):
        made = [milked(stall, flow_kg_min=abs((k * 0.02 + stall) % 12 - 6)) for stall in range(1, 81)]
        lanes.add(made, plant(k), ())
    assert 2_000 < len(json.dumps(lanes.snapshot(), separators=(",", ":"))) < 40_000
