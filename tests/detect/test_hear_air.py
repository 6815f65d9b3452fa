"""From the fall of a claw's vacuum to litres, and the baseline it falls from."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from detect.hear import (
    LAG,
    LOOK_AGAIN,
    LOUD_KPA,
    OPEN,
    SPAN,
    STALE,
    expect,
    forget_level,
    push_level,
    take_in,
)
from detect.opening import air_at, push_air
from detect.params import BIN_S
from detect.tubes import rest_tube
from tests.detect.by_hand import NUM, QUIET_KPA, admitted, moment, stall, turned, write_level

AT = 10_110


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


def listening(**fields: Any) -> Any:
    """Return a settled stall with a baseline, a quiet tube and a beat that is known."""
    known = {"flow_bin": AT, "flow_slow": 2.0, "hold_until": -1, "pulse_hz": 1.0, "pulse_n": 500}
    s = stall(**(known | {"op_on": AT} | fields))
    write_level(s, QUIET_KPA)
    return s


def test_what_is_left_over_is_the_level_less_baseline_and_ripple() -> None:
    """A young baseline only grows; a known one gives the rest; an event keeps its own."""
    s = listening(ripple_a=[0.7, 0.0, 0.0, 0.0], pulse_phase=0.0)
    expect(s, 40.0, moment(AT))
    assert (s["rest"], s["ready"], s["now_level"]) == (pytest.approx(40.0 - 0.7 - QUIET_KPA), 1, 40.0)
    s["opening"], s["ev_base"] = OPEN, 39.0
    expect(s, 40.0, moment(AT))
    assert s["rest"] == pytest.approx(40.0 - 0.7 - 39.0)
    young = listening(seen=5)
    young["seen"] = LAG + SPAN - 1
    expect(young, 40.0, moment(AT))
    assert (young["ready"], young["seen"]) == (0, LAG + SPAN)


def taken(rest_kpa: float, b: int = AT, shared: float = 0.0, **fields: Any) -> tuple[Any, float]:
    """Return a stall after one bin that left something over, and its air."""
    s = listening(**({"air_seen": 5, "rest": rest_kpa} | fields))
    if s["air_seen"]:
        rest_tube(s, QUIET_KPA, NUM.claw)
    air = admitted(s, *take_in(s, turned(moment(b, shared=shared), s), NUM))
    push_air(s, air)
    return s, air


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
