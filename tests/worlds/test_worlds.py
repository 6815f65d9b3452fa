"""The worlds are what they say: their physics, their truth, and their messages."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from scipy.stats import kurtosis

from ingest.wire import Unreadable, parse_payload, parse_topic
from tests.worlds.bench import (
    HIGH_LINE,
    LOW_LINE,
    SEA_LEVEL_KPA,
    STEP_S,
    settling_s,
    slipped,
    steady_track,
    swings,
    vent_mm2,
    with_vent,
)
from tests.worlds.claw_plug import PlugUnit, draw_plug, run_plug
from tests.worlds.claw_quasi import QuasiUnit, draw_quasi, run_quasi
from tests.worlds.make import make_world
from tests.worlds.orifice import free_air_l_s
from tests.worlds.plan import WORLDS, Order, make_plan
from tests.worlds.plug_inverse import air_l_min
from tests.worlds.ranges import TUNE
from tests.worlds.slugs import draw_slugging, slug_kpa


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
    found = swings(order, make_plan(order.rng(), order))
    assert len(found["slack"]) >= 10
    assert np.mean(np.array(found["taut"]) < 0.6) < 0.02
    assert np.mean(np.array(found["slack"]) > 0.6) < 0.02


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
