"""From the fall of a claw's vacuum to litres, and the baseline it falls from."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from detect.claw import ClawModel, admitted_air_l_min, quiet_tube, steady_vacuum_kpa
from detect.hear import (
    FOLLOW_S,
    LAG,
    LOOK_AGAIN,
    LOUD_KPA,
    MILK_POWER,
    MOST_MILK,
    NONE,
    OPEN,
    SPAN,
    STALE,
    UNMEASURED_KG_MIN,
    admit,
    expect,
    forget_level,
    push_level,
    rest_tube,
    take_in,
    tube_flow_kg_s,
)
from detect.opening import DRIEST_KG_MIN, FALLEN, air_at
from detect.params import BIN_S
from tests.detect.by_hand import NUM, QUIET_KPA, moment, stall, write_level

AT = 10_110
CLAW = NUM.claw
LOW_LINE = ClawModel()


def test_the_baseline_is_the_mean_of_two_seconds_a_third_of_a_second_ago() -> None:
    """Of a long and noisy level the running sum is the sum of just those bins; the usual one is slower."""
    s = stall(usual=99.0)
    level = np.random.default_rng(2).normal(QUIET_KPA, 2.0, 700)
    usual = level[0]
    for k, value in enumerate(level):
        push_level(s, value)
        usual += (value - usual) * BIN_S / 20.0
        if k >= LAG + SPAN:
            before = level[k + 1 - LAG - SPAN : k + 1 - LAG]
            assert s["level_sum"] == pytest.approx(before.sum(), abs=1e-6)
    assert (s["seen"], s["usual"]) == (700, pytest.approx(usual, abs=1e-6))
    assert (pytest.approx(0.3), pytest.approx(2.0)) == (LAG * BIN_S, SPAN * BIN_S)


def test_after_an_attaching_nothing_of_the_level_is_left() -> None:
    """Baseline, air and steadiness begin anew."""
    s = stall(seen=80, level_sum=9.0, air_seen=7, steady_run=3, hold_until=AT)
    forget_level(s)
    assert [s[name] for name in ("seen", "level_sum", "air_seen", "steady_run", "hold_until")] == [
        0,
        0,
        0,
        0,
        -1,
    ]


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
    assert [admit(s, 0.0, QUIET_KPA, CLAW) for _ in range(40)] == pytest.approx([0.0] * 40, abs=0.05)


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
    own = np.array([admit(s, fall_kpa, quiet_kpa, CLAW) for fall_kpa in fall[::5]])
    assert own.sum() * BIN_S / 60.0 == pytest.approx(air.sum() * 0.01 / 60.0, rel=0.08)
    inside = (t[::5] > 1.6) & (t[::5] < 2.9)
    assert own[inside].mean() == pytest.approx(air[::5][inside].mean(), rel=0.08)
    assert own[0] == pytest.approx(0.0, abs=0.05)


@pytest.mark.parametrize("fall_kpa", [20.0, 10.0, -1.0])
def test_less_vacuum_draws_less_milk(fall_kpa: float) -> None:
    """In the long run the tube carries off the milk that comes, and that goes with the pull to the 0.6."""
    s = quiet(3.0, opening=OPEN)
    for _ in range(900):
        admit(s, fall_kpa, QUIET_KPA, CLAW)
    share = (1.0 - fall_kpa / QUIET_KPA) ** MILK_POWER
    carried = s["liquid"] * CLAW.speed_ratio * s["speed"] / CLAW.length_m
    assert carried * 60.0 == pytest.approx(3.0 * share, rel=0.01)


def test_more_vacuum_draws_a_tenth_more_milk_at_most() -> None:
    """While the tube runs backwards nothing leaves it: what it gains is the milk that comes."""
    s = quiet(0.6, opening=OPEN)
    for _ in range(30):
        admit(s, -30.0, QUIET_KPA, CLAW)
    before = s["liquid"]
    for _ in range(20):
        admit(s, -30.0, QUIET_KPA, CLAW)
    assert s["speed"] < 0.0
    assert (s["liquid"] - before) * 60.0 == pytest.approx(0.6 * MOST_MILK * 20 * BIN_S, rel=1e-6)


def test_no_vacuum_draws_no_milk() -> None:
    """A claw as far down as its quiet vacuum holds no milk after a while."""
    s = quiet(3.0, opening=OPEN)
    for _ in range(600):
        admit(s, QUIET_KPA + 1.0, QUIET_KPA, CLAW)
    assert s["liquid"] == pytest.approx(0.0, abs=1e-3)


def test_between_events_the_tube_follows_the_milk() -> None:
    """More milk than before is no air: outside of an event the tube is led to its new quiet state."""
    kept, led = quiet(1.0, opening=OPEN), quiet(1.0, opening=NONE)
    for s in (kept, led):
        s["flow_slow"] = 4.0
    speed, liquid, _ = quiet_tube(CLAW.atmosphere_pa - 1e3 * QUIET_KPA, 4.0 / 60.0, CLAW)
    before = led["liquid"]
    for s in (kept, led):
        admit(s, 0.0, QUIET_KPA, CLAW)
    gain = (led["liquid"] - kept["liquid"]) / (liquid - before)
    assert gain == pytest.approx(BIN_S / FOLLOW_S, rel=0.1)
    for _ in range(200):
        admit(led, 0.0, QUIET_KPA, CLAW)
    assert (led["speed"], led["liquid"]) == (pytest.approx(speed, rel=0.01), pytest.approx(liquid, rel=0.01))


def listening(**fields: Any) -> Any:
    """Return a settled stall with a baseline, a quiet tube and a beat that is known."""
    known = {"flow_bin": AT, "flow_slow": 2.0, "hold_until": -1, "pulse_hz": 1.0, "pulse_n": 500}
    s = stall(**(known | {"op_on": AT} | fields))
    write_level(s, QUIET_KPA)
    return s


def test_what_is_left_over_is_the_level_less_baseline_and_ripple() -> None:
    """A young baseline only grows; a known one gives the rest; an event keeps its own."""
    s = listening(ripple_a=[0.7, 0.0, 0.0, 0.0], pulse_phase=0.0)
    expect(s, 40.0)
    assert (s["rest"], s["ready"], s["now_level"]) == (pytest.approx(40.0 - 0.7 - QUIET_KPA), 1, 40.0)
    s["opening"], s["ev_base"] = OPEN, 39.0
    expect(s, 40.0)
    assert s["rest"] == pytest.approx(40.0 - 0.7 - 39.0)
    young = listening(seen=5)
    young["seen"] = LAG + SPAN - 1
    expect(young, 40.0)
    assert (young["ready"], young["seen"]) == (0, LAG + SPAN)


def taken(rest_kpa: float, b: int = AT, shared: float = 0.0, **fields: Any) -> tuple[Any, float]:
    """Return a stall after one bin that left something over, and its air."""
    s = listening(**({"air_seen": 5, "rest": rest_kpa} | fields))
    if s["air_seen"]:
        rest_tube(s, QUIET_KPA, CLAW)
    return s, take_in(s, moment(b, shared=shared), NUM)


def test_the_first_bin_and_one_after_a_gap_take_in_no_jump() -> None:
    """Nobody knows how the vacuum got there: it is not stored as air; any other bin's fall is."""
    assert abs(taken(-4.0, air_seen=0)[1]) < 15.0
    assert abs(taken(-4.0, resume_bin=AT)[1]) < 15.0
    assert taken(-4.0)[1] > 18.0
    s, air = taken(-4.0)
    assert (air_at(s, 0, 0.0), s["air_seen"], s["fall"]) == (pytest.approx(air), 6, 4.0)


def test_what_all_stalls_share_is_no_air() -> None:
    """A fall of 4 kPa of which 4 are shared takes in nothing."""
    assert taken(-4.0, shared=-4.0)[1] == pytest.approx(0.0, abs=1.0)


@pytest.mark.parametrize(
    ("rest_kpa", "fields", "learns"),
    [
        (0.5, {}, True),
        (LOUD_KPA + 0.1, {}, False),
        (-LOUD_KPA - 0.1, {}, False),
        (0.5, {"hold_until": AT + 1}, False),
        (0.5, {"hold_until": AT}, True),
        (0.5, {"opening": OPEN, "op_on": AT - STALE, "ev_base": QUIET_KPA}, False),
        (0.5, {"opening": OPEN, "op_on": AT - STALE - 1, "ev_base": QUIET_KPA}, True),
    ],
)
def test_only_quiet_bins_teach_the_ripple(rest_kpa: float, fields: dict[str, Any], learns: bool) -> None:
    """Not those of an event, just after one, or further off than 6 kPa; of a long leak they do."""
    assert bool(taken(rest_kpa, **fields)[0]["pulse_n"] == 501) is learns


def test_after_five_seconds_of_air_the_pulsation_is_looked_for_once() -> None:
    """At the hundredth quiet bin the rate is found again, not at another one nor in an event."""
    assert taken(0.0, air_seen=LOOK_AGAIN)[0]["pulse_known"] == 1
    assert taken(0.0, air_seen=LOOK_AGAIN + 1)[0]["pulse_known"] == 0
    assert taken(0.0, air_seen=LOOK_AGAIN, opening=OPEN, ev_base=QUIET_KPA)[0]["pulse_known"] == 0
    assert taken(0.0, air_seen=LOOK_AGAIN, hold_until=AT + 9)[0]["pulse_known"] == 0
    assert math.isfinite(taken(0.0, air_seen=LOOK_AGAIN)[0]["pulse_hz"])
