"""Milk figures of one stall: flow followers, yield, peaks, and when a unit counts as let down."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from detect.hear import OPEN
from detect.params import BIN_S
from detect.state import MILKED
from detect.unit import (
    DRY_WAIT,
    FIRST_MILK_KG_MIN,
    FLOW_TRUST,
    OPEN_MILKING,
    TWO_MINUTES,
    count_milk,
    open_milking,
    take_flow,
)
from tests.detect.by_hand import NUM, QUIET_KPA, stall

AT = 1_150


def followed(flow_kg_min: float, bins: int, **fields: Any) -> Any:
    """Return a stall whose meter reads one flow for a while."""
    s = stall(flow=0.0, **fields)
    for b in range(AT, AT + bins):
        take_flow(s, b, flow_kg_min)
    return s


def test_the_followers_of_the_flow_have_memories_of_two_and_ten_seconds() -> None:
    """After a small step they have done 63 % of it in 2 and in 10 s."""
    assert followed(0.1, 40)["flow_slow"] == pytest.approx(0.1 * (1.0 - math.exp(-1.0)), rel=0.02)
    assert followed(0.1, 200)["flow_slower"] == pytest.approx(0.1 * (1.0 - math.exp(-1.0)), rel=0.02)


def test_what_a_meter_says_in_a_jump_is_taken_slowly() -> None:
    """Five kg/min at once, or none at once, move the follower by half a kg/min a second."""
    assert followed(5.0, 60)["flow_slow"] == pytest.approx(1.5, rel=1e-6)
    assert followed(0.0, 60, flow_slow=5.0)["flow_slow"] == pytest.approx(3.5, rel=1e-6)


def test_followers_stand_still_during_an_event_and_without_a_meter() -> None:
    """Air blinds the meter: only an opening that looks like milk rising lets them go on."""
    held = followed(3.0, 40, opening=OPEN, flow_slow=1.0, flow_slower=1.0)
    assert (held["flow_slow"], held["flow_slower"], held["flow"]) == (1.0, 1.0, 3.0)
    assert followed(3.0, 40, opening=OPEN, drifting=1)["flow_slow"] > 0.5
    silent = followed(math.nan, 40)
    assert (silent["flow_bin"], silent["flow_slow"], silent["flow"]) == (-1, 0.0, 0.0)
    assert followed(3.0, 5)["flow_bin"] == AT + 4


def milked(bins: int, flow: float = 3.0, *, silent_after: int = 10**6, **fields: Any) -> Any:
    """Return an attached stall of an open milking after some bins, its meter silent after a while."""
    known = {"open": OPEN_MILKING, "attached": 1, "kpa": QUIET_KPA, "first_bin": AT, "up_bin": AT}
    s = stall(**(known | {"flow": flow, "flow_slow": flow, "flow_bin": AT} | fields))
    for b in range(AT, AT + bins):
        if s["flow_bin"] >= 0 and b < AT + silent_after:
            s["flow_bin"] = b
        count_milk(s, b, NUM)
    return s


def test_three_kg_a_minute_for_three_minutes_are_nine_kg_six_of_them_in_two() -> None:
    """Yield and two-minute milk are the flow times the time; on time and data time go with them."""
    s = milked(3_600)
    assert s["yield_kg"] == pytest.approx(9.0)
    assert s["two_minute_kg"] == pytest.approx(6.0)
    assert (s["on_bins"], s["data_bins"], s["milk_bin"]) == (3_600, 3_600, AT + 3_599)
    assert pytest.approx(120.0) == TWO_MINUTES * BIN_S


def test_a_silent_meter_stands_for_three_seconds_only() -> None:
    """A reading counts on while it is fresh; after it nothing is invented."""
    s = milked(400, silent_after=100)
    assert s["yield_kg"] == pytest.approx((99 + FLOW_TRUST) * 3.0 * BIN_S / 60.0)
    assert s["milk_bin"] == AT + 98 + FLOW_TRUST
    assert pytest.approx(3.0) == FLOW_TRUST * BIN_S


def test_the_meter_is_read_for_a_while_after_the_unit_came_off() -> None:
    """What hangs in the meter belongs to the milking, but the unit is not on any more."""
    s = milked(400, attached=0, off_bin=AT)
    assert s["yield_kg"] == pytest.approx(NUM.meter_lag * 3.0 * BIN_S / 60.0)
    assert (s["on_bins"], s["data_bins"]) == (0, 0)


def test_nothing_is_counted_without_a_milking_nor_vacuum_that_is_missing() -> None:
    """No milking, no figures; a bin without vacuum counts as on, not as data, and feeds no peak."""
    assert milked(400, open=0)["yield_kg"] == 0.0
    dark = milked(400, missing=5)
    assert (dark["on_bins"], dark["data_bins"], dark["sec_count"]) == (400, 0, 0)


def test_low_flow_is_no_milk() -> None:
    """The last bin of milk is the last above low flow."""
    assert milked(100, 0.98 * NUM.low_flow)["milk_bin"] == -1
    assert milked(100, 1.02 * NUM.low_flow)["milk_bin"] == AT + 99


def test_the_peak_is_the_best_mean_of_ten_seconds_with_its_vacuum() -> None:
    """Ten seconds of 5 kg/min at 38 kPa within a milking of 2 at 41: less than ten seconds do not count."""
    s = milked(300, 2.0, kpa=41.0)
    assert (s["peak_flow"], s["peak_kpa"]) == (pytest.approx(2.0), pytest.approx(41.0))
    for bins, flow, kpa, peak in ((100, 9.0, 30.0, 5.5), (400, 2.0, 41.0, 5.5), (220, 6.0, 38.0, 6.0)):
        s["flow"], s["kpa"] = flow, kpa
        for k in range(bins):
            s["flow_bin"] = AT + k
            count_milk(s, AT + k, NUM)
        assert s["peak_flow"] == pytest.approx(peak)
    assert s["peak_kpa"] == pytest.approx(38.0)


@pytest.mark.parametrize(("seconds", "known"), [(9, False), (10, True)])
def test_less_than_ten_seconds_have_no_peak(seconds: int, known: bool) -> None:
    """The mean of ten seconds is known after ten."""
    assert bool(milked(20 * seconds)["peak_flow"] > 0.0) is known


@pytest.mark.parametrize(
    ("fields", "after"),
    [
        ({}, NUM.settle_min),
        ({"flow_bin": -1}, NUM.settle_min),
        ({"flow_slow": 0.5 * FIRST_MILK_KG_MIN}, DRY_WAIT),
    ],
    ids=["milk", "no meter", "dry"],
)
def test_a_unit_is_let_down_after_eight_seconds_of_milk(fields: dict[str, float], after: int) -> None:
    """They count once attaching may be over; a unit without milk counts as let down after 90 s."""
    assert milked(after + MILKED, **fields)["milked"] == MILKED - 1
    assert milked(after + MILKED + 1, **fields)["milked"] == MILKED
    assert milked(after + MILKED + 100, **fields)["milked"] == MILKED


def test_a_new_milking_begins_with_nothing() -> None:
    """Every figure of the milking before is gone."""
    s = milked(600)
    s["astray_bins"], s["part_n"] = 70, 3
    open_milking(s, AT + 5_000)
    zero = ("on_bins", "data_bins", "sec_count", "part_n", "yield_kg", "two_minute_kg", "peak_flow")
    zero += ("peak_kpa", "part_flow", "part_kpa", "astray_bins")
    assert {name: s[name] for name in zero} == dict.fromkeys(zero, 0)
    assert (s["open"], s["first_bin"], s["milk_bin"]) == (OPEN_MILKING, AT + 5_000, -1)
    assert not np.isnan(s["flow"])
