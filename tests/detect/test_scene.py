"""The circumstances of a slip: plant level, dryness, unrest of the arm, and their exposures."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from detect.cause import UNREST
from detect.params import BIN_S
from detect.scene import (
    NOTE_DTYPE,
    SECOND,
    Witness,
    compare_arms,
    count_second,
    dryness,
    lowness,
    new_scenes,
    watch_claws,
    watch_level,
    watch_unrest,
)
from detect.state import new_stalls
from detect.swing import TRUSTED_S

TEAT_AREA_M2 = math.pi * 0.022**2 / 4.0


def levels(whole: Any, kpa: float, seconds: float) -> float:
    """Let the plant stand at a vacuum for a while; return its deficit."""
    for _ in range(round(seconds / BIN_S)):
        watch_level(whole, 0, kpa)
    return float(whole["deficit"])


def test_a_plant_that_stands_low_for_minutes_is_low() -> None:
    """Five minutes 4 kPa under the regulated vacuum are a deficit of 4 kPa, and none after it came back."""
    whole = new_scenes(1)[1].view(np.recarray)[0]
    assert levels(whole, 45.0, 600.0) < 0.1
    assert levels(whole, 41.0, 300.0) == pytest.approx(4.0, abs=0.25)
    assert levels(whole, 45.0, 120.0) < 0.1


def test_a_plant_that_is_off_is_not_low() -> None:
    """Between milkings the pump stands; the regulated level is remembered."""
    whole = new_scenes(1)[1].view(np.recarray)[0]
    levels(whole, 45.0, 600.0)
    assert levels(whole, 0.0, 3600.0) == 0.0
    assert levels(whole, 42.0, 60.0) == pytest.approx(3.0, abs=0.25)


def test_without_a_plant_sensor_all_claws_together_tell() -> None:
    """What all claws lack against their own levels stands in for the sensor; too few say nothing."""
    whole = new_scenes(1)[1].view(np.recarray)[0]
    for _ in range(600):
        watch_claws(whole, 0.0)
    for _ in range(120):
        watch_claws(whole, -3.5)
    assert whole["deficit"] == pytest.approx(3.5, abs=0.25)
    watch_claws(whole, math.nan)
    assert whole["deficit"] == 0.0


def milking(flow: float, peak: float) -> Any:
    """Return a stall in the middle of a milking."""
    s = new_stalls(1).view(np.recarray)[0]
    s["attached"], s["settled"], s["flow_bin"], s["first_bin"] = 1, 1, 0, 0
    s["flow_slow"], s["peak_flow"], s["kpa"] = flow, peak, 42.0
    return s


@pytest.mark.parametrize(("flow", "strength"), [(4.0, 0.0), (2.4, 0.0), (1.8, 0.25), (1.2, 1.0), (0.1, 1.0)])
def test_dryness_grows_as_flow_falls(flow: float, strength: float) -> None:
    """From 0.6 of the peak down to 0.3 of it a quarter is ever surer dry."""
    assert dryness(milking(flow, 4.0), 4000) == pytest.approx(strength)


def test_let_down_is_no_dryness() -> None:
    """Little milk in the first seconds, or none measured, is no sign of a dry quarter."""
    assert dryness(milking(0.1, 4.0), 400) == 0.0
    unmeasured = milking(0.1, 4.0)
    unmeasured["flow_bin"] = -1
    assert dryness(unmeasured, 4000) == 0.0


def test_a_sound_plant_loosens_nothing() -> None:
    """Up to 1 kPa the plant does what it should; each further one costs a 22 mm teat 0.38 N."""
    assert lowness(1.0) == 0.0
    newton = 1e3 * TEAT_AREA_M2
    assert newton == pytest.approx(0.38, abs=0.005)
    assert lowness(2.0) == pytest.approx(math.expm1(0.25))
    assert lowness(1e9) == lowness(21.0)


def sway(seconds: float, rng: np.random.Generator, jerk_s: float | None = None) -> tuple[float, float]:
    """Follow an arm that sways, beats at 1.1 Hz and maybe jerks; return its unrest and the most before."""
    scenes = new_scenes(1)[0].view(np.recarray)
    s, c, before = milking(3.0, 4.0), scenes[0], 0.0
    for k in range(round(5.0 * seconds)):
        t = 0.2 * k
        angle = 20.0 + 0.35 * math.sin(2.0 * math.pi * 1.1 * t) + rng.normal(0.0, 0.1)
        if jerk_s is not None and t >= jerk_s:
            angle += 6.0 * math.exp(-(t - jerk_s) / 0.5) * math.sin(2.0 * math.pi * 0.8 * (t - jerk_s) + 0.5)
        watch_unrest(c, s, 4 * k, (angle, 250.0 + rng.normal(0.0, 1.0)))
        before = max(before, float(c["unrest"])) if jerk_s is None or t < jerk_s else before
    return float(c["unrest"]), before


@pytest.mark.parametrize("seed", range(5))
def test_a_jerk_stands_out_of_sway_and_beat(seed: int) -> None:
    """A jerk of a few degrees is unrest; two minutes of sway, noise and pulsation are none."""
    unrest, before = sway(121.5, np.random.default_rng(seed), jerk_s=120.4)
    assert before < UNREST
    assert unrest > 1.5 * UNREST


def test_exposures_count_attached_seconds_only() -> None:
    """Time under a circumstance is summed while the unit hangs, listens and is not missing."""
    stalls = new_stalls(3).view(np.recarray)
    scenes, whole = (part.view(np.recarray) for part in new_scenes(3))
    for i in (0, 1):
        stalls[i] = milking(1.0, 4.0)
    stalls[1]["astray"] = 1
    witnessed = Witness(scenes, whole, np.zeros(1, NOTE_DTYPE).view(np.recarray))
    for second in range(200, 300):
        count_second(stalls, witnessed, second * SECOND)
    assert whole[0]["time_s"] == 200.0
    assert list(whole[0]["strength_s"]) == [100.0, 200.0, 0.0, 0.0]
    assert list(scenes["time_s"]) == [100.0, 100.0, 0.0]


def test_a_cord_that_was_never_taut_is_found_by_the_other_stalls() -> None:
    """What is always so at one stall is its norm, but all others show a beat six times clearer."""
    stalls = new_stalls(6).view(np.recarray)
    stalls["norm_n"], stalls["swing_noise"], stalls["norm_swing"] = 600.0, 0.01, 0.06
    stalls["norm_swing"][2], stalls["norm_n"][2] = 0.01, TRUSTED_S
    stalls["norm_swing"][4], stalls["norm_n"][4] = 0.01, TRUSTED_S - 1.0  # hardly known yet
    compare_arms(stalls)
    assert list(stalls["others_clear"] > 0.0) == [False, False, True, False, False, False]
