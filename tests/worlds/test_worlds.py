"""The worlds are what they say: their physics, their truth, and their messages."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from numpy.typing import NDArray
from scipy.stats import kurtosis

from ingest.wire import Unreadable, parse_payload, parse_topic
from tests.worlds.arm import ARM_HZ, draw_arm
from tests.worlds.claw_plug import PlugUnit, draw_plug, run_plug
from tests.worlds.claw_quasi import QuasiUnit, draw_quasi, run_quasi
from tests.worlds.events import AirEvent, Opening
from tests.worlds.make import make_world
from tests.worlds.orifice import free_air_l_s
from tests.worlds.plan import WORLDS, Order, make_plan
from tests.worlds.plant import RATE_HZ
from tests.worlds.plug_inverse import air_l_min
from tests.worlds.pulsation import Pulsator, beat
from tests.worlds.ranges import TUNE
from tests.worlds.slugs import draw_slugging, slug_kpa
from tests.worlds.track import Track, blank, lay_event

FloatArray = NDArray[np.float64]
SEA_LEVEL_KPA = 101.325
STEP_S = 1.0 / RATE_HZ
LOW_LINE = PlugUnit(0.40, 16.0, 2.0, -0.8, 6.0 + 0.03 * 2.0 / 0.016, 0.5, 0.0)
HIGH_LINE = PlugUnit(0.40, 16.0, 3.0, 1.8, 6.0 + 0.03 * 3.0 / 0.016, 0.5, 0.0)


def vent_mm2(air_l_min: float, vacuum_kpa: float) -> float:
    return air_l_min / 60.0 / free_air_l_s(1.0, vacuum_kpa, SEA_LEVEL_KPA)


def with_vent(unit: PlugUnit, area_mm2: float) -> PlugUnit:
    return PlugUnit(
        unit.volume_l, unit.bore_mm, unit.length_m, unit.lift_m, unit.friction, unit.hold_up, area_mm2
    )


def steady_track(seconds: float, flow_kg_min: float, line_kpa: float = 44.0) -> Track:
    """Return a sealed unit on a steady line, with steady milk and without pulsation."""
    size = int(seconds * RATE_HZ)
    track = blank(np.full(size, line_kpa), np.zeros(size), np.zeros(size))
    track.valve[:] = 1.0
    track.leak_mm2[:] = 0.0
    track.flow_kg_min[:] = flow_kg_min
    return track


def slipped(track: Track, start_s: float, length_s: float, area_mm2: float) -> AirEvent:
    opening = Opening(start_s, start_s + length_s, 0.03, 0.03, area_mm2)
    event = AirEvent(1, "liner_slip", "unknown", "peak", (opening,))
    lay_event(np.random.default_rng(0), track, event, 0)
    return event


@pytest.mark.parametrize(
    ("vacuum_kpa", "air"), [(10, 4.595), (20, 6.102), (30, 6.956), (40, 7.390), (48, 7.488)]
)
def test_a_small_hole_lets_in_what_the_nozzle_formula_says(vacuum_kpa: float, air: float) -> None:
    """A hole of 1 mm at a discharge of 0.8 passes the worked values, and chokes at half the atmosphere."""
    area = 0.8 * np.pi / 4.0
    assert 60.0 * free_air_l_s(area, vacuum_kpa, SEA_LEVEL_KPA) == pytest.approx(air, rel=2e-3)


def test_air_grows_with_the_square_of_the_hole() -> None:
    """A hole of 4 mm passes 118.23 L/min at 40 kPa, and nothing passes without vacuum."""
    area = 0.8 * np.pi / 4.0
    assert 60.0 * free_air_l_s(16.0 * area, 40.0, SEA_LEVEL_KPA) == pytest.approx(118.23, rel=2e-3)
    assert free_air_l_s(area, 0.0, SEA_LEVEL_KPA) == 0.0


@pytest.mark.parametrize(
    ("unit", "milk", "kpa"),
    [
        (LOW_LINE, 1, 43.60),
        (LOW_LINE, 3, 42.30),
        (LOW_LINE, 6, 39.33),
        (HIGH_LINE, 1, 40.58),
        (HIGH_LINE, 3, 33.79),
    ],
)
def test_a_milk_plug_settles_where_its_equations_were_solved_by_hand(
    unit: PlugUnit, milk: float, kpa: float
) -> None:
    """Steady claw vacuum under a line of 44 kPa agrees with values computed apart from this code."""
    track = steady_track(40.0, milk / min(np.sqrt(kpa / 40.0), 1.1))
    vacuum = run_plug(with_vent(unit, vent_mm2(10.0, kpa)), track, STEP_S, SEA_LEVEL_KPA)[0]
    assert vacuum[-1] == pytest.approx(kpa, abs=0.05)


@pytest.mark.parametrize("claw", ["quasi", "plug"])
def test_a_shut_claw_empties_through_its_vent(claw: str) -> None:
    """0.4 L fall from 42 to 10 kPa in 1.19 s through a vent of 1 mm, as computed apart from this code."""
    track = steady_track(20.0, 0.0, 43.0)
    track.valve[1000:] = 0.0
    vent = 0.8 * np.pi / 4.0
    if claw == "quasi":
        vacuum = run_quasi(QuasiUnit(0.4, 40.0, 0.2, 0.7, 0.3, vent), track, STEP_S, SEA_LEVEL_KPA)[0]
    else:
        vacuum = run_plug(with_vent(LOW_LINE, vent), track, STEP_S, SEA_LEVEL_KPA)[0]
    fall = vacuum[1000:]
    assert (np.argmax(fall < 10.0) - np.argmax(fall < 42.0)) * STEP_S == pytest.approx(1.19, rel=0.03)


def settling_s(run: Callable[[Track], tuple[FloatArray, ...]]) -> float:
    """Return how long after the reseal of a slip of 1 s the vacuum still is more than 1 kPa from before."""
    track = steady_track(40.0, 2.5)
    event = slipped(track, 30.0, 1.0, 3.0)
    vacuum = run(track)[0]
    after = vacuum[int(event.end_s * RATE_HZ) + 1 :]
    away = np.flatnonzero(np.abs(after - vacuum[2990]) > 1.0)
    return float(away[-1] + 1 if away.size else 0) * STEP_S


def test_only_the_claw_without_inertia_recovers_at_once() -> None:
    """After a reseal the one world is back within 0.2 s, the other rings or overshoots for longer."""
    rng = np.random.default_rng(5)
    for _ in range(5):
        quasi, plug = draw_quasi(rng, TUNE, 100.0), draw_plug(rng, TUNE, 100.0)
        assert settling_s(lambda track, unit=quasi: run_quasi(unit, track, STEP_S, 100.0)) <= 0.2
        assert settling_s(lambda track, unit=plug: run_plug(unit, track, STEP_S, 100.0)) > 0.3


def test_the_twin_is_the_same_claw_without_the_slip() -> None:
    """What the truth measures depth against is a run in which the slip never happened."""
    unit = with_vent(LOW_LINE, 1.2)
    with_slip, without = steady_track(12.0, 1.0), steady_track(12.0, 1.0)
    slipped(with_slip, 10.0, 0.8, 4.0)
    vacuum, twin, air, _ = run_plug(unit, with_slip, STEP_S, SEA_LEVEL_KPA)
    undisturbed = run_plug(unit, without, STEP_S, SEA_LEVEL_KPA)[0]
    inside = with_slip.window > 0
    np.testing.assert_allclose(twin[inside], undisturbed[inside], atol=1e-9)
    assert np.max(twin - vacuum) > 5.0
    assert air[~inside].sum() == 0.0


def test_the_equations_read_backwards_give_the_litres_back() -> None:
    """The air told by the truth is what the balance of the claw's gas says, within 5 %."""
    unit = with_vent(LOW_LINE, vent_mm2(10.0, 43.0))
    track = steady_track(40.0, 2.0)
    slipped(track, 30.0, 0.6, 5.0)
    vacuum, _, air, milk = run_plug(unit, track, STEP_S, SEA_LEVEL_KPA)
    told = air_l_min(unit, (vacuum, track.line_kpa, milk), STEP_S, SEA_LEVEL_KPA)
    quiet, loud = np.median(told[500:580]), told[595:700]
    assert np.sum(loud - quiet) * 5 * STEP_S / 60.0 == pytest.approx(air.sum(), rel=0.05)


def test_slugs_are_heavy_tailed_in_the_air_and_absent_when_dry() -> None:
    """The air that slugs feign has a kurtosis of about 10 to 14, and a dry tube has no slug."""
    rng = np.random.default_rng(3)
    tails = []
    for _ in range(8):
        unit = with_vent(HIGH_LINE, vent_mm2(10.0, 35.0))
        calm, slugging = steady_track(200.0, 2.5), steady_track(200.0, 2.5)
        slugging.slug_kpa[:] = slug_kpa(rng, draw_slugging(rng), slugging.flow_kg_min)
        told = []
        for track in (calm, slugging):
            vacuum, _, _, milk = run_plug(unit, track, STEP_S, SEA_LEVEL_KPA)
            series = (vacuum, track.line_kpa, milk)
            told.append(air_l_min(unit, series, STEP_S, SEA_LEVEL_KPA, bin_samples=25)[100:])
        tails.append(kurtosis(told[1] - told[0], fisher=False))
    assert 8.0 <= np.median(tails) <= 16.0
    assert not slug_kpa(rng, draw_slugging(rng), np.zeros(5000)).any()


def test_a_taut_cord_beats_and_a_slack_one_does_not() -> None:
    """Over 30 s a lock-in that knows the beat tells the two apart in nearly every stretch."""
    order = Order("milk_plug", 1)
    plan = make_plan(order.rng(), order)
    rng = np.random.default_rng(1)
    size = int(order.minutes * 60 * RATE_HZ)
    taut: list[float] = []
    slack: list[float] = []
    for stall, visits in plan.visits.items():
        phase = beat(rng, Pulsator(58.0, 0.6, alternate=True), size)
        spells = [spell for spell in plan.spells if spell.stall == stall]
        angle, _ = draw_arm(rng, order.ranges, visits, (spells, [], phase))
        turns = phase[:: int(RATE_HZ / ARM_HZ)]
        whole = {"taut": taut, "slack": slack}
        found: dict[str, list[float]] = {"taut": [], "slack": []}
        for visit in visits:
            milking = visit.milking
            if milking is None or milking.hangs:
                continue
            for start in np.arange(milking.on_s + 12.0, milking.shut_s - 32.0, 30.0):
                touching = [s for s in spells if s.start_s < start + 30.0 and s.end_s > start]
                part = slice(int(start * ARM_HZ), int((start + 30.0) * ARM_HZ))
                swing = np.abs(np.mean(np.diff(angle)[part] * np.exp(-2j * np.pi * turns[part])))
                if not touching:
                    found["taut"].append(float(swing))
                elif all(s.state == "slack" and s.start_s < start and s.end_s > start + 30 for s in touching):
                    found["slack"].append(float(swing))
        norm = np.median(found["taut"])
        for state, swings in found.items():
            whole[state] += [swing / norm for swing in swings]
    assert len(slack) >= 10
    assert np.mean(np.array(taut) < 0.6) < 0.02
    assert np.mean(np.array(slack) > 0.6) < 0.02


@pytest.mark.parametrize("name", WORLDS)
def test_what_happens_lies_within_milkings(name: str) -> None:
    """Every event begins in a milking of its stall, slips end in it, and the slip-free world has none."""
    order = Order(name, 4)
    plan = make_plan(order.rng(), order)
    assert bool(plan.events) == order.world.slips
    for event in plan.events:
        inside = [
            visit.milking
            for visit in plan.visits[event.stall]
            if visit.milking and visit.milking.on_s <= event.start_s <= visit.milking.end_s
        ]
        assert len(inside) == 1
        assert event.kind != "liner_slip" or event.end_s <= inside[0].end_s
    for spell in plan.spells:
        milkings = [visit.milking for visit in plan.visits[spell.stall] if visit.milking]
        assert any(m.on_s <= spell.start_s and spell.end_s <= m.end_s for m in milkings)


def test_milkings_of_a_stall_do_not_overlap_and_end_before_the_wash() -> None:
    """One cow after another, and all of them are gone when the wash begins."""
    order = Order("wash", 2)
    plan = make_plan(order.rng(), order)
    assert plan.wash is not None
    for visits in plan.visits.values():
        milkings = [visit.milking for visit in visits if visit.milking]
        assert all(a.shut_s < b.open_s for a, b in pairwise(milkings))
        assert all(milking.shut_s < plan.wash[0] for milking in milkings)


@pytest.fixture(scope="module")
def short_world(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Make two stalls for three minutes."""
    out = tmp_path_factory.mktemp("worlds") / "first"
    make_world(Order("quasi_steady", 7, stalls=2, minutes=3.0), out)
    return out


def test_a_seed_gives_the_same_capture_again(short_world: Path, tmp_path: Path) -> None:
    """Messages and truth of a seed are the same each time, and those of another seed are not."""
    make_world(Order("quasi_steady", 7, stalls=2, minutes=3.0), tmp_path / "again")
    make_world(Order("quasi_steady", 8, stalls=2, minutes=3.0), tmp_path / "other")
    for file in sorted(short_world.glob("*.parquet")):
        assert pl.read_parquet(file).equals(pl.read_parquet(tmp_path / "again" / file.name))
    capture = pl.read_parquet(short_world / "capture.parquet")
    assert not capture.equals(pl.read_parquet(tmp_path / "other" / "capture.parquet"))


def test_every_message_can_be_read(short_world: Path) -> None:
    """All topics and payloads pass the wire's own validation, in order of receipt."""
    capture = pl.read_parquet(short_world / "capture.parquet")
    assert capture["recv_ns"].is_sorted()
    kinds = set()
    for topic, payload in capture.select("topic", "payload").iter_rows():
        address = parse_topic(topic, root="milking", parlor="quasi-steady")
        assert not isinstance(address, Unreadable)
        read = parse_payload(address.kind, payload)
        assert not isinstance(read, Unreadable)
        assert read.extra_fields == 0
        kinds.add((address.stall is None, address.kind.value))
    assert kinds == {(False, "vacuum"), (False, "flow"), (False, "arm"), (False, "cow"), (True, "vacuum")}


def test_true_milkings_have_vacuum_and_milk(short_world: Path) -> None:
    """The unit is on between the ends of a true milking, and not outside of them."""
    milkings = pl.read_parquet(short_world / "truth_milkings.parquet")
    assert milkings.height == 2
    assert (milkings["yield_kg"] > 1.0).all()
    capture = pl.read_parquet(short_world / "capture.parquet")
    for stall, start, end in milkings.select("stall", "start_at", "end_at").iter_rows():
        own = capture.filter(pl.col("topic").str.ends_with(f"/stall/{stall}/vacuum"))["payload"]
        frame = own.cast(pl.String).str.json_decode(pl.Struct({"t_ms": pl.Int64, "kpa": pl.List(pl.Float64)}))
        frames = frame.struct.unnest().with_columns(pl.col("kpa").list.mean())
        on = (frames["t_ms"] > start.timestamp() * 1e3 + 21_000) & (
            frames["t_ms"] < end.timestamp() * 1e3 - 4_000
        )
        off = frames["t_ms"] > end.timestamp() * 1e3 + 2_000
        assert frames.filter(on)["kpa"].median() > 25.0
        assert frames.filter(off)["kpa"].median() < 2.0
