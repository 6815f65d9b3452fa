"""The whole parlor: determinism, readable messages, and truth that fits together."""

from __future__ import annotations

import hashlib
import itertools
import json
from collections import deque
from dataclasses import dataclass, replace

import numpy as np
import polars as pl
import pytest

from ingest.wire import StreamKind, Unreadable, parse_payload, parse_topic
from simulator.faults import Fault, FaultKind
from simulator.herd import Herd
from simulator.platform import Deck
from simulator.rotary import simulate
from simulator.scenario import PRESETS, Routine, Scenario, Shifts, plain
from simulator.sensors import Sensors

QUIET = Sensors(
    noise_kpa=0.0, offset_kpa=0.0, drift_kpa_h=0.0, skew_ms=0.0, loss_share=0.0, duplicate_share=0.0
)


@dataclass(frozen=True)
class Record:
    """A read record: streams by (stall, kind) as (t_s, payload), truth tables, digest of all bytes."""

    scenario: Scenario
    streams: dict
    truth: dict[str, pl.DataFrame]
    digest: str
    arrivals: list[int]

    def vacuum(self, stall: int | None, channel: str | None = None) -> tuple[np.ndarray, np.ndarray]:
        """Return times [s] and samples [kPa] of one sensor."""
        frames = [f for f in self.streams[stall, StreamKind.VACUUM] if f[1].get("channel") == channel]
        times = [t + np.arange(len(body["kpa"])) / body["rate_hz"] for t, body in frames]
        return np.concatenate(times), np.concatenate([body["kpa"] for _, body in frames])

    def seconds(self, table: str, column: str) -> np.ndarray:
        """Return a time column of a truth table in seconds of the record."""
        start_us = self.scenario.start_ns // 1000
        return (self.truth[table][column].dt.epoch("us").to_numpy() - start_us) / 1e6


def _record(scenario: Scenario) -> Record:
    simulation = simulate(scenario)
    streams: dict = {}
    arrivals = []
    digest = hashlib.sha256()
    for message in simulation:
        digest.update(b"%d %s " % (message.recv_ns, message.topic.encode()) + message.payload)
        arrivals.append(message.recv_ns)
        address = parse_topic(message.topic, root=scenario.root, parlor=scenario.parlor)
        body = json.loads(message.payload)
        streams.setdefault((address.stall, address.kind), []).append(
            (body["t_ms"] / 1e3 - scenario.start_ns / 1e9, body)
        )
    return Record(scenario, streams, simulation.truth.tables(), digest.hexdigest(), arrivals)


def _small(**changes) -> Scenario:
    """Return three stalls that turn fast, so that a few minutes hold whole milkings."""
    deck = Deck(
        stalls=3,
        stall_s=150.0,
        stops_per_h=0.0,
        attach_place=0.6,
        attach_spread=0.05,
        exit_place_before_end=0.3,
    )
    base = Scenario(duration_s=600.0, deck=deck, sensors=QUIET, plant_dips_per_h=0.0)
    return replace(base, **changes)


def _steady_ten() -> Scenario:
    """Return ten stalls on a full platform, all turning without a stop."""
    base = plain(seed=2, stalls=10, hours=0.1)
    deck = replace(base.deck, stops_per_h=0.0)
    return replace(base, loaded=True, deck=deck, sensors=QUIET, plant_dips_per_h=0.0)


@pytest.fixture(scope="module")
def morning() -> Record:
    """Return half an hour of twelve stalls, busier than usual so that everything happens."""
    base = plain(seed=3, stalls=12, hours=0.5)
    routine = replace(base.routine, unsupported_share=0.5, manual_pull_share=0.15)
    return _record(replace(base, routine=routine, herd=Herd(heifer_share=1.0), plant_dips_per_h=8.0))


def test_the_same_seed_gives_the_same_bytes_and_truth():
    """Two runs of one scenario agree byte for byte; another seed does not."""
    first, second, other = (_record(plain(seed=seed, stalls=4, hours=0.05)) for seed in (1, 1, 2))
    assert first.digest == second.digest
    assert all(first.truth[name].equals(second.truth[name]) for name in first.truth)
    assert other.digest != first.digest


def test_sensor_settings_do_not_change_what_happens():
    """The truth of a seed is the same under another sensor noise, plant sensor or loss."""
    base = plain(seed=3, stalls=6, hours=0.25)
    other = Sensors(noise_kpa=0.5, plant_hz=None, late_share=0.1, quarters=True)
    truths = [_record(replace(base, sensors=sensors)).truth for sensors in (Sensors(), other)]
    assert truths[0]["truth_milkings"].height > 0
    assert all(truths[0][name].equals(truths[1][name]) for name in truths[0])


def test_every_message_is_read_by_the_wire_and_arrives_in_order():
    """All topics and payloads parse, and arrival times never step back."""
    scenario = plain(seed=4, stalls=5, hours=0.1)
    last_ns = 0
    for message in simulate(replace(scenario, sensors=replace(scenario.sensors, quarters=True))):
        address = parse_topic(message.topic, root=scenario.root, parlor=scenario.parlor)
        assert not isinstance(address, Unreadable)
        assert not isinstance(parse_payload(address.kind, message.payload), Unreadable)
        assert message.recv_ns >= last_ns
        last_ns = message.recv_ns


def test_all_streams_have_their_rate(morning):
    """Every stall sends two vacuum frames, a flow and an arm frame a second, the plant two frames."""
    assert len(morning.streams[None, StreamKind.VACUUM]) == pytest.approx(3600, rel=0.01)
    for stall in range(1, 13):
        assert len(morning.streams[stall, StreamKind.VACUUM]) == pytest.approx(3600, rel=0.01)
        assert len(morning.streams[stall, StreamKind.FLOW]) == pytest.approx(1800, rel=0.01)
        assert len(morning.streams[stall, StreamKind.ARM]) == pytest.approx(1800, rel=0.01)
    assert all(b >= a for a, b in itertools.pairwise(morning.arrivals))


def test_events_lie_inside_the_milkings_of_their_stall(morning):
    """Each event begins in a milking of its stall and cow, or in the seconds of its removal."""
    events, milkings = morning.truth["truth_events"], morning.truth["truth_milkings"]
    assert events.height > 20
    joined = events.join(milkings, on=["stall", "cow"], suffix="_milking").filter(
        (pl.col("start_at") >= pl.col("start_at_milking"))
        & (pl.col("start_at") <= pl.col("end_at_milking") + pl.duration(seconds=3))
    )
    assert joined.height == events.height
    assert (events["end_at"] >= events["start_at"]).all()


def test_counts_of_the_milkings_match_the_events(morning):
    """Slips and fall-offs counted by milking add up to the events of that kind."""
    events, milkings = morning.truth["truth_events"], morning.truth["truth_milkings"]
    assert milkings["slips"].sum() == events.filter(kind="liner_slip").height
    assert milkings["fall_offs"].sum() == events.filter(kind="fall_off").height
    assert (milkings["reattaches"] <= milkings["fall_offs"]).all()


def test_everything_that_can_happen_happens(morning):
    """In a busy half hour all kinds of events, both lapses of support and plant dips occur."""
    assert set(morning.truth["truth_events"]["kind"]) == {"liner_slip", "fall_off", "vacuum_removal"}
    assert set(morning.truth["truth_support"]["state"]) == {"slack", "drag"}
    assert morning.truth["truth_plant"].height >= 2
    assert morning.truth["truth_events"]["air_l"].min() > 0.0
    assert morning.truth["truth_events"]["depth_kpa"].min() >= 0.0


def test_slips_show_in_the_claw_vacuum(morning):
    """Where the truth says that half a litre or more came in, the sensor saw a dip of half its depth."""
    events = (
        morning.truth["truth_events"]
        .with_row_index()
        .filter((pl.col("kind") == "liner_slip") & (pl.col("air_l") > 0.5) & (pl.col("pulses") == 1))
    )
    starts, ends = morning.seconds("truth_events", "start_at"), morning.seconds("truth_events", "end_at")
    seen = 0
    for row in events.iter_rows(named=True):
        times, kpa = morning.vacuum(row["stall"])
        start, end = starts[row["index"]], ends[row["index"]]
        before = kpa[(times > start - 1.2) & (times < start - 0.2)]
        during = kpa[(times > start) & (times < end + 0.2)]
        if before.size > 90 and during.size:
            assert before.mean() - during.min() > 0.5 * row["depth_kpa"]
            seen += 1
    assert seen >= 3


def test_flow_integrates_to_the_yield():
    """The milk meter's readings of quiet milkings add up to their yields within 5 %."""
    routine = Routine(unsupported_share=0.0, manual_pull_share=0.0, restless_per_h=0.0)
    record = _record(_small(routine=routine, sensors=replace(QUIET, meter_gain=0.0)))
    starts, ends = record.seconds("truth_milkings", "start_at"), record.seconds("truth_milkings", "end_at")
    checked = 0
    for i, row in enumerate(record.truth["truth_milkings"].iter_rows(named=True)):
        if ends[i] < 590.0 and row["slips"] == row["fall_offs"] == 0:
            flow = record.streams[row["stall"], StreamKind.FLOW]
            readings = [body["kg_min"] for t, body in flow if starts[i] < t < ends[i] + 12]
            assert sum(readings) / 60.0 == pytest.approx(row["yield_kg"], rel=0.05)
            checked += 1
    assert checked >= 2


def test_the_claw_is_open_to_the_air_without_a_cow(morning):
    """Before the first cow boards a stall its claw reads 0 but for the sensor's zero."""
    for stall in range(1, 13):
        cows = morning.streams.get((stall, StreamKind.COW), [])
        times, kpa = morning.vacuum(stall)
        idle = kpa[times < (cows[0][0] if cows else 10.0)]
        assert abs(idle.mean()) < 1.2
        assert idle.std() < 0.3


def test_a_normal_removal_is_no_event_and_a_blocked_vent_makes_it_one():
    """With a clear vent the arm lifts an empty unit; with a blocked one it pulls under vacuum."""
    routine = Routine(manual_pull_share=0.0, unsupported_share=0.0)
    clear = _record(_small(routine=routine)).truth["truth_events"]
    fault = Fault(FaultKind.BLOCKED_VENT, None, 0.0, 600.0, 0.02)
    blocked = _record(_small(routine=routine, faults=(fault,))).truth["truth_events"]
    assert clear.filter(kind="vacuum_removal").height == 0
    pulled = blocked.filter(kind="vacuum_removal")
    assert pulled.height >= 2
    assert set(pulled["cause"]) == {"stall_fault"}


def test_an_arm_that_pulls_too_early_removes_under_vacuum():
    """An arm that does not wait for the decay pulls units off under vacuum."""
    routine = Routine(manual_pull_share=0.0, unsupported_share=0.0)
    fault = Fault(FaultKind.EARLY_ARM, None, 0.0, 600.0, 0.1)
    events = _record(_small(routine=routine, faults=(fault,))).truth["truth_events"]
    assert events.filter(kind="vacuum_removal").height >= 2


def test_an_arm_out_of_set_lapses_in_every_milking_and_makes_slips():
    """At a stall whose arm carries nothing each milking has a slack lapse, and slips by weight follow."""
    routine = Routine(unsupported_share=0.0)
    fault = Fault(FaultKind.ARM_UNSUPPORTED, None, 0.0, 600.0, 0.1)
    hanging = _record(_small(routine=routine, faults=(fault,))).truth
    carried = _record(_small(routine=routine)).truth
    assert hanging["truth_support"].height == hanging["truth_milkings"].height > 0
    assert set(hanging["truth_support"]["state"]) == {"slack"}
    assert carried["truth_support"].height == 0
    assert "weight_not_carried" in set(hanging["truth_events"]["cause"])
    assert hanging["truth_milkings"]["slips"].sum() > 4 * carried["truth_milkings"]["slips"].sum()


def test_a_plant_dip_reaches_all_stalls_and_is_no_event_of_one():
    """A scheduled dip of 4 kPa shows at the plant, in every milking claw and in the plant's truth."""
    fault = Fault(FaultKind.PLANT_DIP, None, 200.0, 204.0, 4.0)
    routine = Routine(unsupported_share=0.0, restless_per_h=0.0)
    record = _record(replace(_steady_ten(), faults=(fault,), routine=routine))
    plant = record.truth["truth_plant"]
    assert plant.height == 1
    assert plant["depth_kpa"][0] == pytest.approx(4.0, abs=1.2)
    assert record.seconds("truth_plant", "start_at")[0] == pytest.approx(200.0, abs=1.0)
    assert record.seconds("truth_plant", "end_at")[0] == pytest.approx(204.5, abs=1.5)
    dips = []
    for stall in range(1, 11):
        times, kpa = record.vacuum(stall)
        before, during = (kpa[(times > a) & (times < a + 2.0)] for a in (196.0, 202.0))
        if before.min() > 35.0:
            dips.append(before.mean() - during.mean())
    assert len(dips) >= 4
    assert min(dips) > 2.5
    events = record.truth["truth_events"].filter(cause="low_plant_vacuum")
    assert (events["air_l"] > 0.0).all()


def test_a_stopped_pulsator_takes_the_ripple_away():
    """While the pulsators stand still the claw ripple all but vanishes."""
    fault = Fault(FaultKind.PULSATION_OFF, None, 200.0, 230.0)
    routine = Routine(unsupported_share=0.0, restless_per_h=0.0)
    record = _record(_small(faults=(fault,), routine=routine))
    times, kpa = record.vacuum(1)
    running, still = ((times > a) & (times < a + 20.0) for a in (175.0, 205.0))
    assert kpa[running].min() > 30.0
    assert kpa[still].std() < 0.4 * kpa[running].std()


def test_quarter_sensors_show_the_slip_of_their_quarter_deeper():
    """In a slip the short milk tube of the slipping quarter loses more vacuum than the others."""
    fault = Fault(FaultKind.ARM_UNSUPPORTED, None, 0.0, 600.0, 0.0)
    record = _record(_small(faults=(fault,), sensors=replace(QUIET, quarters=True), duration_s=400.0))
    big = (pl.col("kind") == "liner_slip") & (pl.col("air_l") > 0.3)
    slip = record.truth["truth_events"].with_row_index().filter(big)
    row = slip.row(0, named=True)
    start, end = (record.seconds("truth_events", c)[row["index"]] for c in ("start_at", "end_at"))
    lowest = {}
    for channel in ("lf", "rf", "lr", "rr"):
        times, kpa = record.vacuum(row["stall"], channel)
        lowest[channel] = kpa[(times > start) & (times < end)].min()
    assert min(lowest, key=lowest.get) == row["quarter"]


def test_the_wash_runs_without_cows_and_leaves_no_truth():
    """After the shift all units draw air and water at once, no cow stands there, and no event is written."""
    shifts = Shifts(length_s=100.0, wash_s=300.0)
    record = _record(_small(duration_s=900.0, shifts=shifts))
    notices = [row for (_, kind), rows in record.streams.items() if kind is StreamKind.COW for row in rows]
    stops = [t for t, body in notices if body["cow"] is None]
    washing = max(stops) + 60.0
    for stall in (1, 2, 3):
        times, kpa = record.vacuum(stall)
        part = kpa[(times > washing) & (times < washing + 150.0)]
        assert np.median(part) > 35.0
        assert part.min() < 30.0
    assert not (record.seconds("truth_events", "start_at") > max(stops)).any()
    times, kpa = record.vacuum(None)
    assert kpa[-100:].max() < 40.0


def test_a_loaded_platform_begins_in_the_middle_of_milkings():
    """A record on a full platform has units under vacuum from its first sample on."""
    record = _record(replace(_steady_ten(), duration_s=60.0, faults=()))
    first = [record.vacuum(stall)[1][:10].mean() for stall in range(1, 11)]
    assert sum(v > 35.0 for v in first) >= 3
    assert (record.seconds("truth_milkings", "start_at") < 0.0).any()


def test_the_plain_morning_has_the_usual_rates():
    """Per 100 milkings: 20-60 slips of 0.15 L or more, 1-5 fall-offs, 0.5-5 removals, 8-18 lapses."""
    events, milkings, lapses = [], 0, 0
    for seed in (1, 2):
        base = plain(seed=seed, stalls=40, hours=0.5)
        simulation = simulate(replace(base, sensors=Sensors(vacuum_hz=50, plant_hz=None, frame_s=1.0)))
        deque(simulation, maxlen=0)
        truth = simulation.truth.tables()
        milkings += truth["truth_milkings"].height
        lapses += truth["truth_support"].height
        events.append(truth["truth_events"])
    table = pl.concat(events)
    audible = table.filter((pl.col("kind") == "liner_slip") & (pl.col("air_l") >= 0.15)).height
    assert 20.0 <= 100.0 * audible / milkings <= 60.0
    assert 1.0 <= 100.0 * table.filter(kind="fall_off").height / milkings <= 5.0
    assert 0.5 <= 100.0 * table.filter(kind="vacuum_removal").height / milkings <= 5.0
    assert 8.0 <= 100.0 * lapses / milkings <= 18.0


@pytest.mark.parametrize(("share", "rides_on"), [(0.0, False), (1.0, True)])
def test_an_unfinished_cow_is_cut_off_or_goes_round(share, rides_on):
    """On a platform too fast for the cow she is cut off at the exit, or milked on for a second turn."""
    routine = Routine(unsupported_share=0.0, restless_per_h=0.0, go_round_share=share)
    scenario = _small(routine=routine, herd=Herd(yield_kg=22.0))
    record = _record(replace(scenario, deck=replace(scenario.deck, stall_s=60.0)))
    on_s = record.seconds("truth_milkings", "end_at") - record.seconds("truth_milkings", "start_at")
    assert bool(on_s.max() > 180.0) is rides_on


def test_an_unread_tag_leaves_the_stall_without_a_cow_but_not_without_a_milking():
    """When no tag is read no cow is announced, yet the truth has her milking."""
    record = _record(_small(herd=Herd(unread_share=1.0)))
    notices = [
        body for (_, kind), rows in record.streams.items() if kind is StreamKind.COW for _, body in rows
    ]
    assert all(body["cow"] is None for body in notices)
    assert record.truth["truth_milkings"].height > 0


def test_a_reattached_unit_goes_on_with_the_same_milking(morning):
    """A reattached cow has one milking, and her fall-off ends before it does."""
    milkings = morning.truth["truth_milkings"].filter(pl.col("reattaches") > 0)
    assert milkings.height >= 1
    falls = morning.truth["truth_events"].filter(kind="fall_off")
    for row in milkings.iter_rows(named=True):
        same = morning.truth["truth_milkings"].filter(cow=row["cow"], stall=row["stall"])
        own = falls.filter((pl.col("cow") == row["cow"]) & (pl.col("end_at") <= row["end_at"]))
        assert same.height == 1
        assert own.height >= 1


def test_a_weak_plant_makes_slips_of_its_own():
    """On a plant that sags deeply for long some slips have the low vacuum as their cause."""
    base = PRESETS["weak_plant"](seed=1, stalls=20, hours=0.5)
    simulation = simulate(replace(base, sensors=Sensors(vacuum_hz=50, plant_hz=None, frame_s=1.0)))
    deque(simulation, maxlen=0)
    truth = simulation.truth.tables()
    assert truth["truth_events"].filter(cause="low_plant_vacuum").height >= 1
    assert truth["truth_plant"]["depth_kpa"].max() > 8.0
