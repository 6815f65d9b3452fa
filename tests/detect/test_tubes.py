"""The milk tubes of all stalls: from the fall of a claw's vacuum to litres of air."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from detect.claw import ClawModel, admitted_air_l_min, quiet_tube, steady_vacuum_kpa
from detect.opening import DRIEST_KG_MIN, FALLEN
from detect.params import BIN_S
from detect.tubes import (
    FOLLOW_S,
    MILK_POWER,
    MOST_MILK,
    NONE,
    OPEN,
    UNMEASURED_KG_MIN,
    admit,
    lay_tube,
    lift_tube,
    new_tubes,
    rest_tube,
    tube_flow_kg_s,
)
from tests.detect.by_hand import NUM, QUIET_KPA, admitted, stall

AT = 10_000
CLAW = NUM.claw
LOW_LINE = ClawModel()


@pytest.mark.parametrize(
    ("fields", "kg_min"),
    [
        ({"flow_bin": 5, "flow_slow": 3.0}, 3.0),
        ({"flow_bin": 5, "flow_slow": 0.1}, DRIEST_KG_MIN),
        ({"flow_bin": -1, "flow_slow": 3.0}, UNMEASURED_KG_MIN),
        ({"flow_bin": 5, "flow_slow": 3.0, "opening": OPEN, "low_run": FALLEN}, DRIEST_KG_MIN),
        ({"flow_bin": 5, "flow_slow": 3.0, "opening": OPEN, "low_run": FALLEN - 1}, 3.0),
        ({"flow_bin": 5, "flow_slow": 3.0, "opening": NONE, "low_run": FALLEN}, 3.0),
    ],
)
def test_the_tube_s_milk_is_the_measured_one_but_never_none(fields: dict[str, float], kg_min: float) -> None:
    """A dry tube has no inertia; an unmeasured one a middling flow; a claw that lies open gets no milk."""
    assert tube_flow_kg_s(stall(**fields)) == pytest.approx(kg_min / 60.0)


def quiet(flow_kg_min: float, **fields: Any) -> Any:
    """Return a stall whose milk tube carries the vent's air and the milk."""
    s = stall(flow_bin=AT, flow_slow=flow_kg_min, **fields)
    rest_tube(s, QUIET_KPA, CLAW)
    return s


def test_a_quiet_tube_is_the_claw_model_s() -> None:
    """Speed and liquid are those of the quiet unit at that vacuum and flow, and it takes in no air."""
    s = quiet(3.0)
    speed, liquid, _ = quiet_tube(CLAW.atmosphere_pa - 1e3 * QUIET_KPA, 3.0 / 60.0, CLAW)
    assert (s["speed"], s["liquid"]) == (pytest.approx(speed), pytest.approx(liquid))
    assert [admitted(s, 0.0, QUIET_KPA) for _ in range(40)] == pytest.approx([0.0] * 40, abs=0.05)


@pytest.mark.parametrize("depth_kpa", [3.0, 8.0])
def test_the_air_of_a_fall_is_the_inversion_s(depth_kpa: float) -> None:
    """A ramp down, a stand and a ramp up give the litres that the claw's inversion gives, within 8 %.

    The one is driven by the fall below the quiet vacuum, the other by claw and line vacuum at 100 Hz.
    """
    flow, line_kpa = 1.0, 44.0
    quiet_kpa = steady_vacuum_kpa(LOW_LINE, flow, line_kpa)
    t = np.arange(0.0, 6.0, 0.01)
    fall = np.interp(t, [1.0, 1.3, 3.0, 3.3], [0.0, depth_kpa, depth_kpa, 0.0])
    flows, lines = np.full(t.size, flow), np.full(t.size, line_kpa)
    air = admitted_air_l_min(LOW_LINE, quiet_kpa - fall, lines, flow_kg_min=flows, rate_hz=100.0)
    s = stall(flow_bin=AT, flow_slow=flow, opening=OPEN)
    rest_tube(s, quiet_kpa, CLAW)
    own = np.array([admitted(s, fall_kpa, quiet_kpa) for fall_kpa in fall[::5]])
    assert own.sum() * BIN_S / 60.0 == pytest.approx(air.sum() * 0.01 / 60.0, rel=0.08)
    inside = (t[::5] > 1.6) & (t[::5] < 2.9)
    assert own[inside].mean() == pytest.approx(air[::5][inside].mean(), rel=0.08)
    assert own[0] == pytest.approx(0.0, abs=0.05)


@pytest.mark.parametrize("fall_kpa", [20.0, 10.0, -1.0])
def test_less_vacuum_draws_less_milk(fall_kpa: float) -> None:
    """In the long run the tube carries off the milk that comes, and that goes with the pull to the 0.6."""
    s = quiet(3.0, opening=OPEN)
    for _ in range(900):
        admitted(s, fall_kpa, QUIET_KPA)
    share = (1.0 - fall_kpa / QUIET_KPA) ** MILK_POWER
    carried = s["liquid"] * CLAW.speed_ratio * s["speed"] / CLAW.length_m
    assert carried * 60.0 == pytest.approx(3.0 * share, rel=0.01)


def test_more_vacuum_draws_a_tenth_more_milk_at_most() -> None:
    """While the tube runs backwards nothing leaves it: what it gains is the milk that comes."""
    s = quiet(0.6, opening=OPEN)
    for _ in range(30):
        admitted(s, -30.0, QUIET_KPA)
    before = s["liquid"]
    for _ in range(20):
        admitted(s, -30.0, QUIET_KPA)
    assert s["speed"] < 0.0
    assert (s["liquid"] - before) * 60.0 == pytest.approx(0.6 * MOST_MILK * 20 * BIN_S, rel=1e-6)


def test_no_vacuum_draws_no_milk() -> None:
    """A claw as far down as its quiet vacuum holds no milk after a while."""
    s = quiet(3.0, opening=OPEN)
    for _ in range(600):
        admitted(s, QUIET_KPA + 1.0, QUIET_KPA)
    assert s["liquid"] == pytest.approx(0.0, abs=1e-3)


def test_between_events_the_tube_follows_the_milk() -> None:
    """More milk than before is no air: outside of an event the tube is led to its new quiet state."""
    kept, led = quiet(1.0, opening=OPEN), quiet(1.0, opening=NONE)
    for s in (kept, led):
        s["flow_slow"] = 4.0
    speed, liquid, _ = quiet_tube(CLAW.atmosphere_pa - 1e3 * QUIET_KPA, 4.0 / 60.0, CLAW)
    before = led["liquid"]
    for s in (kept, led):
        admitted(s, 0.0, QUIET_KPA)
    gain = (led["liquid"] - kept["liquid"]) / (liquid - before)
    assert gain == pytest.approx(BIN_S / FOLLOW_S, rel=0.1)
    for _ in range(200):
        admitted(led, 0.0, QUIET_KPA)
    assert (led["speed"], led["liquid"]) == (pytest.approx(speed, rel=0.01), pytest.approx(liquid, rel=0.01))


def test_tubes_side_by_side_are_as_each_alone() -> None:
    """To the last bit, in any number, and a stall without vacuum keeps its own."""
    rng = np.random.default_rng(8)
    falls, flows = rng.uniform(-2.0, 20.0, (30, 21)), rng.uniform(0.0, 5.0, 21)
    alone = [quiet(float(flow), opening=int(k % 2), ready=1) for k, flow in enumerate(flows)]
    row, tubes = [stall_of(s) for s in alone], new_tubes(21)
    for fall in falls:
        for k, s in enumerate(row):
            lay_tube(tubes, k, s, (float(fall[k]), QUIET_KPA))
        admit(tubes, 21, CLAW)
        together = [lift_tube(tubes, k, s) for k, s in enumerate(row)]
        assert together == [admitted(s, float(fall[k]), QUIET_KPA) for k, s in enumerate(alone)]
    assert [s.tobytes() for s in row] == [s.tobytes() for s in alone]
    deaf = quiet(1.0, ready=0)
    before = deaf.tobytes()
    assert lift_tube(tubes, 0, deaf) == 0.0
    assert deaf.tobytes() == before


def stall_of(s: Any) -> Any:
    """Return a stall of its own in the same state."""
    twin = stall()
    for name in s.dtype.names:
        twin[name] = s[name]
    return twin
