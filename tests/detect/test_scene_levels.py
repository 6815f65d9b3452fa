"""Levels, claws and the arm's unrest against what is ordinary at this stall."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from detect.params import BIN_S
from detect.scene import (
    AFTER,
    BEFORE,
    CLAW_S,
    CLAWS_S,
    REST_S,
    RISE_S,
    SINK_S,
    STRIDE,
    claw_gap,
    new_scenes,
    watch_claws,
    watch_level,
    watch_unrest,
)
from tests.detect.by_hand import scene, stall

AT = 100_000


def test_the_level_is_a_mean_of_two_seconds_and_the_regulated_one_rises_within_a_minute() -> None:
    """It sinks within hours; the first reading is both."""
    whole = new_scenes(1)[1].view(np.recarray)[0]
    watch_level(whole, AT, 44.0)
    assert (whole["level"], whole["regulated"], whole["deficit"], whole["heard_bin"]) == (44.0, 44.0, 0.0, AT)
    watch_level(whole, AT + 1, 54.0)
    level = 44.0 + 10.0 * BIN_S / 2.0
    assert whole["level"] == pytest.approx(level)
    assert whole["regulated"] == pytest.approx(44.0 + (level - 44.0) * BIN_S / RISE_S)
    whole["level"] = 40.0
    before = float(whole["regulated"])
    watch_level(whole, AT + 2, 40.0)
    assert whole["regulated"] == pytest.approx(before + (40.0 - before) * BIN_S / SINK_S)
    assert whole["deficit"] == pytest.approx(whole["regulated"] - 40.0)
    watch_level(whole, AT + 3, math.nan)
    assert whole["heard_bin"] == AT + 2


def test_the_claws_median_is_smoothed_over_eight_seconds() -> None:
    """The first looks count fully; its best follows upwards in a minute and downwards in hours."""
    whole = new_scenes(1)[1].view(np.recarray)[0]
    watch_claws(whole, -2.0)
    assert (whole["claws"], whole["claws_best"]) == (-2.0, pytest.approx(-2.0 / SINK_S))
    assert whole["deficit"] == pytest.approx(2.0 - 2.0 / SINK_S)
    for _ in range(200):
        watch_claws(whole, -2.0)
    before = float(whole["claws_best"])
    watch_claws(whole, 6.0)
    assert whole["claws"] == pytest.approx(-2.0 + 8.0 / CLAWS_S)
    assert whole["claws_best"] == pytest.approx(before - (before + 1.0) / SINK_S)
    whole["claws"] = 3.0
    watch_claws(whole, 3.0)
    assert whole["claws_best"] == pytest.approx(before, abs=0.1)
    assert whole["claws_best"] > before


def taught_claw(looks: int, slope: float = -2.0) -> Any:
    """Return a scene that has seen a claw lose so much vacuum with each kg/min."""
    c, s = scene(), stall()
    for k in range(looks):
        s["flow_slow"] = 1.0 + k % 4
        c["claw"] = 44.0 + slope * s["flow_slow"]
        claw_gap(c, s, True)
    return c


def test_how_far_a_claw_is_under_what_it_has_at_this_flow() -> None:
    """After a minute its own line is known: at any flow what is missing of it comes out, within 5 %."""
    c, s = taught_claw(2_000), stall(flow_slow=3.0)
    c["claw"] = 44.0 - 6.0 - 1.5
    assert claw_gap(c, s, False) == pytest.approx(1.5, abs=0.1)
    s["flow_slow"], c["claw"] = 1.5, 44.0 - 3.0
    assert claw_gap(c, s, False) == pytest.approx(0.0, abs=0.1)
    assert math.isnan(claw_gap(taught_claw(60), s, False))
    assert not math.isnan(claw_gap(taught_claw(61), s, False))


def test_a_claw_learns_while_the_plant_is_sound_and_until_it_knows() -> None:
    """A slope no claw has is bounded; the memory is an attached hour."""
    c, s = taught_claw(100), stall(flow_slow=3.0)
    before = float(c["claw_n"])
    claw_gap(c, s, False)
    assert c["claw_n"] == before
    claw_gap(c, s, True)
    assert c["claw_n"] == pytest.approx(before * (1.0 - 1.0 / CLAW_S) + 1.0)
    young = taught_claw(30)
    before = float(young["claw_n"])
    claw_gap(young, s, False)  # beside a plant that stands low: better than knowing nothing
    assert young["claw_n"] > before
    rising = taught_claw(400, slope=2.0)
    s["flow_slow"], rising["claw"] = 4.0, 44.0 + 5.0
    assert claw_gap(rising, s, False) == pytest.approx(0.0, abs=0.01)
    steep = taught_claw(400, slope=-9.0)
    s["flow_slow"], steep["claw"] = 4.0, 44.0 - 9.0 * 2.5 - 6.0 * 1.5
    assert claw_gap(steep, s, False) == pytest.approx(0.0, abs=0.02)
    old = taught_claw(12_000)
    assert old["claw_n"] == pytest.approx(CLAW_S * (1.0 - math.exp(-12_000 / CLAW_S)), rel=0.01)


def swayed(
    step: tuple[float, float], every: int = 4, readings: int = 400, **fields: Any
) -> tuple[Any, Any, int]:
    """Return scene, stall and next bin after an arm moved to and fro by steps, a beat apart."""
    c, s = scene(), stall(**({"attached": 1, "settled": 1} | fields))
    b = AT
    for _ in range(readings):
        side = (b // 20) % 2
        watch_unrest(c, s, b, (20.0 + step[0] * side, 250.0 + step[1] * side))
        b += every
    return c, s, b


def test_unrest_is_motion_over_one_beat_in_ordinary_ones() -> None:
    """Ten times the ordinary change of angle or of cord within 0.9 s is an unrest of ten."""
    for step, jump in (((0.2, 0.0), (2.0, 0.0)), ((0.0, 2.0), (0.0, -20.0))):
        c, s, b = swayed(step)
        size = c["rest_angle"] if step[0] else c["rest_cord"]
        side = ((b - 20) // 20) % 2
        watch_unrest(c, s, b, (20.0 + step[0] * side + jump[0], 250.0 + step[1] * side + jump[1]))
        assert c["unrest"] == pytest.approx(max(map(abs, jump)) / size, rel=0.25)
        assert c["unrest_bin"] == b


def test_what_is_ordinary_is_the_mean_and_no_jerk_moves_it_far() -> None:
    """For ten seconds it is the plain mean; then a memory of 2 min, in which a jerk counts threefold."""
    c, s, b = swayed((0.2, 2.0), readings=40)
    assert c["rest_angle"] == pytest.approx(0.2, rel=0.1)
    assert c["rest_cord"] == pytest.approx(2.0, rel=0.1)
    c, s, b = swayed((0.2, 2.0), readings=2_000)
    before, n = float(c["rest_angle"]), float(c["rest_n"])
    watch_unrest(c, s, b, (90.0, 250.0))
    assert c["rest_n"] == pytest.approx(n + 0.2)
    assert c["rest_angle"] == pytest.approx(before + 0.2 / REST_S * 2.0 * before)


@pytest.mark.parametrize("fields", [{"attached": 0}, {"settled": 0}])
def test_only_a_unit_that_hangs_tells_what_is_ordinary(fields: dict[str, int]) -> None:
    """An arm on its way says nothing."""
    c, _, _ = swayed((0.2, 2.0), **fields)
    assert (c["rest_n"], c["unrest"]) == (0.0, 0.0)


def test_readings_too_far_apart_are_not_compared() -> None:
    """Motion is over 0.9 to 1.8 s: with one reading in two seconds nothing is known."""
    assert swayed((0.2, 2.0), every=2 * STRIDE + 1, readings=60)[0]["rest_n"] == 0.0
    assert swayed((0.2, 2.0), every=2 * STRIDE, readings=60)[0]["rest_n"] > 0.0
    assert swayed((0.2, 2.0), every=1, readings=300)[0]["rest_n"] > 0.0


def test_the_strongest_motion_is_kept_for_two_seconds_and_by_an_open_event_for_one() -> None:
    """A weaker one replaces it only later; an event keeps what moved up to a second after its onset."""
    for ago, kept in ((BEFORE, True), (BEFORE + 1, False)):
        c, s, b = swayed((0.2, 0.0))
        c["unrest"], c["unrest_bin"] = 50.0, b - ago
        watch_unrest(c, s, b, (20.0, 250.0))
        assert bool(c["unrest"] == 50.0) is kept
    for ago, kept in ((AFTER, True), (AFTER + 1, False)):
        c, s, b = swayed((0.2, 0.0))
        c["on"] = b - ago
        watch_unrest(c, s, b, (26.0, 250.0))
        assert bool(c["moved"] > 10.0) is kept
        assert (c["unrest"] > 10.0, c["unrest_bin"]) == (True, b)
