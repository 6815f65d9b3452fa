"""A vent's inflow read from how a claw drains."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from detect.air import CHOKED_L_MIN_PER_MM2, free_air_l_min
from detect.drain import drain_s, watch_drain
from detect.state import RING, new_stalls

ATMOSPHERE_KPA = 101.325
BIN_S = 0.05
ON, OFF_KPA = 1000, 10.0


@pytest.mark.source("scipy.integrate.solve_ivp")
@pytest.mark.parametrize(("vent_mm", "seconds"), [(1.0, 1.19), (0.7, 2.44)])
def test_a_claw_empties_as_the_orifice_law_says(vent_mm: float, seconds: float) -> None:
    """The constant of the choked inflow gives the time of the integrated law, 0.4 L from 42 to 10 kPa."""
    area_mm2 = np.pi * vent_mm**2 / 4.0

    def fall(_: float, v: np.ndarray) -> list[float]:
        return [-ATMOSPHERE_KPA * free_air_l_min(area_mm2, float(v[0])) / 60.0 / 0.4]

    times = np.linspace(0.0, 4.0, 4001)
    vacuum = solve_ivp(fall, (0.0, 4.0), [42.0], t_eval=times, rtol=1e-8).y[0]
    integrated_s = float(np.interp(-10.0, -vacuum, times))
    rate = ATMOSPHERE_KPA * 0.8 * area_mm2 * CHOKED_L_MIN_PER_MM2 / 60.0 / 0.4
    own_s = drain_s(rate, 42.0, 10.0, atmosphere_kpa=ATMOSPHERE_KPA)
    assert own_s == pytest.approx(integrated_s, rel=0.005)
    assert own_s == pytest.approx(seconds, rel=0.03)


def test_what_is_empty_drains_in_no_time() -> None:
    """From a vacuum at or below the end there is nothing to drain."""
    assert drain_s(40.0, 10.0, 10.0, atmosphere_kpa=ATMOSPHERE_KPA) == 0.0


def read(kpa: np.ndarray) -> tuple[int, float, float, float]:
    """Let a stall live through a vacuum by bins, take it off at the end, and return what was read."""
    state = new_stalls(1)
    s = state[0]
    s["attached"], s["settled"], s["on_bin"] = 1, 1, ON
    stalls = state.view(np.recarray)
    low = int(np.flatnonzero(kpa >= OFF_KPA)[-1]) + 1
    for i, value in enumerate(kpa):
        b = ON + i
        state["raw"][0, b & (RING - 1)] = state["kpa"][0] = value
        if i == len(kpa) - 1:
            state["attached"], state["off_bin"] = 0, ON + low
        watch_drain(stalls[0], b, ATMOSPHERE_KPA)
    w = state["drain"][0]
    return int(w["n"]), float(w["rate"]), float(w["quiet"]), float(w["pulled"])


def ramp(rate_kpa_s: float, *, pull_after_s: float) -> np.ndarray:
    """Return ten quiet seconds, a drain by the orifice law, a pull, and what is needed to be off."""
    beat = 1.5 * np.sin(2.0 * np.pi * np.arange(200) / 10.0)
    kpa, v = [*(42.0 + beat)], 42.0
    for _ in range(round(pull_after_s / BIN_S)):
        if v <= 0.5:
            break
        psi = np.interp(
            v, [0.0, 5.0, 10.0, 20.0, 30.0, 40.0, 47.8], [0.0, 0.4465, 0.6136, 0.8149, 0.9289, 0.9868, 1.0]
        )
        v -= rate_kpa_s * psi * BIN_S
        kpa.append(v)
    return np.array([*kpa, *np.full(50, 0.2)])


@pytest.mark.parametrize("rate", [42.0, 20.0, 12.0, 4.0])
def test_the_constant_is_read_whether_or_not_the_arm_pulls_early(rate: float) -> None:
    """The rate comes out within 12 %, also when the cups open 1.7 s after the shut-off."""
    n, found, quiet, pulled = read(ramp(rate, pull_after_s=1.7))
    assert n == 1
    assert found == pytest.approx(rate, rel=0.12)
    assert quiet == pytest.approx(42.0, abs=1.2)
    assert pulled == pytest.approx(max(0.0, 42.0 - 0.9 * rate * 1.7), abs=12.0)


def test_a_unit_pulled_without_a_shut_off_says_nothing() -> None:
    """The vacuum goes from quiet to nothing within a tenth of a second: there is no ramp."""
    assert read(ramp(42.0, pull_after_s=0.0))[0] == 0


def test_a_unit_that_lay_open_before_says_nothing() -> None:
    """A fall to 24 kPa that then drains is no drain of a quiet claw."""
    kpa = ramp(10.0, pull_after_s=1.5)
    kpa[150:200] = 24.0
    kpa[200:230] = np.linspace(24.0, 11.0, 30)
    assert read(kpa)[0] == 0


def test_a_gap_in_the_ramp_says_nothing() -> None:
    """What is missing cannot be measured."""
    kpa = ramp(20.0, pull_after_s=1.2)
    kpa[205:210] = np.nan
    assert read(kpa)[0] == 0


def test_the_claw_model_of_a_blocked_vent_is_half_a_drain() -> None:
    """Half the rate takes twice the time."""
    whole = drain_s(40.0, 42.0, 10.0, atmosphere_kpa=ATMOSPHERE_KPA)
    assert drain_s(20.0, 42.0, 10.0, atmosphere_kpa=ATMOSPHERE_KPA) == pytest.approx(2.0 * whole)
