"""The claw model against mass balance, static liquid and sharp limits."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import brentq

from detect.claw import (
    GRAVITY_M_S2,
    MILK_KG_M3,
    TUBE_AIR_M2_S2,
    ClawModel,
    admitted_air_l_min,
    quiet_tube,
    steady_vacuum_kpa,
    tube_mass_kg,
    tube_step,
)
from detect.errors import ParameterError

CLAW = ClawModel().constants()
TUBE_M3 = np.pi * 0.016**2 / 4.0 * 2.0
PA = 60e3
LIMITS = [
    *[("bore_mm", 8.0, 30.0), ("length_m", 0.3, 10.0), ("volume_l", 0.05, 2.0), ("vent_l_min", 0.5, 60.0)],
    *[("liquid_speed_ratio", 0.1, 1.0), ("lift_m", -3.0, 4.0), ("atmosphere_kpa", 60.0, 110.0)],
]


@pytest.mark.parametrize(("name", "low", "high"), LIMITS)
def test_limits_of_a_unit_are_its_own(name: str, low: float, high: float) -> None:
    """Both ends are taken, a thousandth beyond is refused."""
    for value in (low, high):
        assert getattr(ClawModel(**{name: value}), name) == value
    for value in (low - 1e-3, high + 1e-3):
        with pytest.raises(ParameterError, match=f"claw.{name}"):
            ClawModel(**{name: value})


def test_the_unit_in_si() -> None:
    """Each constant in metres, seconds, kilograms and pascal; the loss is local and by length."""
    assert CLAW.area_m2 * CLAW.length_m == pytest.approx(TUBE_M3)
    assert CLAW.loss == pytest.approx(6.0 + 0.03 * 2.0 / 0.016)
    assert (CLAW.volume_m3, CLAW.vent_m3_s) == (pytest.approx(4e-4), pytest.approx(10.0 / 60_000.0))
    assert CLAW.atmosphere_pa == pytest.approx(101_325.0)


def test_a_tube_holds_milk_and_the_air_that_milk_leaves_room_for() -> None:
    """All air at none, all milk when full, and half of each in between: the ideal gas at 35 degrees."""
    air = PA / TUBE_AIR_M2_S2 * TUBE_M3
    full = MILK_KG_M3 * TUBE_M3
    assert tube_mass_kg(0.0, PA, CLAW) == pytest.approx(air)
    assert tube_mass_kg(full, PA, CLAW) == pytest.approx(full)
    assert tube_mass_kg(0.5 * full, PA, CLAW) == pytest.approx(0.5 * (full + air))


@pytest.mark.parametrize("flow_kg_min", [0.5, 3.0, 6.0])
def test_a_quiet_tube_carries_off_what_comes(flow_kg_min: float) -> None:
    """Its volume flow is the vent's expanded air and the milk; its liquid leaves as fast as milk comes."""
    speed, liquid, drop = quiet_tube(PA, flow_kg_min / 60.0, CLAW)
    air_m3_s = CLAW.vent_m3_s * CLAW.atmosphere_pa / PA
    assert speed * CLAW.area_m2 == pytest.approx(air_m3_s + flow_kg_min / 60.0 / MILK_KG_M3)
    assert liquid * CLAW.speed_ratio * speed / CLAW.length_m == pytest.approx(flow_kg_min / 60.0)
    friction = 0.5 * CLAW.loss * tube_mass_kg(liquid, PA, CLAW) / CLAW.length_m * speed**2
    weight = liquid * GRAVITY_M_S2 * CLAW.lift_m / CLAW.length_m
    assert drop * CLAW.area_m2 == pytest.approx(friction + weight)
    held = tube_step(speed, liquid, drop, PA + 0.5 * drop, flow_kg_min / 60.0, 0.01, CLAW)
    assert held == (pytest.approx(speed, rel=1e-9), pytest.approx(liquid, rel=1e-9))


@pytest.mark.parametrize("model", [ClawModel(), ClawModel(lift_m=1.8, length_m=3.0)], ids=["low", "high"])
@pytest.mark.parametrize("flow_kg_min", [0.5, 3.0, 6.0])
def test_a_unit_settles_where_friction_and_weight_take_up_the_pressure(
    model: ClawModel, flow_kg_min: float
) -> None:
    """To the last pascal; the air in the tube is as dense as at the mean of both ends."""
    claw, line_pa = model.constants(), model.atmosphere_kpa * 1e3 - 44e3

    def left_over(claw_pa: float) -> float:
        speed, liquid, _ = quiet_tube(claw_pa, flow_kg_min / 60.0, claw)
        mass = tube_mass_kg(liquid, (claw_pa + line_pa) / 2.0, claw)
        friction = claw.loss * mass * speed**2 / (2.0 * claw.length_m)
        weight = liquid * GRAVITY_M_S2 * claw.lift_m / claw.length_m
        return friction + weight - (claw_pa - line_pa) * claw.area_m2

    settled_pa = float(brentq(left_over, line_pa - 4e3, claw.atmosphere_pa, xtol=1e-9))
    ours_pa = (model.atmosphere_kpa - steady_vacuum_kpa(model, flow_kg_min, 44.0)) * 1e3
    assert ours_pa == pytest.approx(settled_pa, abs=1e-4)


def test_no_tube_holds_more_milk_than_nine_tenths_of_it() -> None:
    """Neither quiet nor while it fills."""
    narrow = ClawModel(vent_l_min=0.5).constants()
    full = 0.9 * MILK_KG_M3 * TUBE_M3
    assert quiet_tube(100e3, 0.2, narrow)[1] == pytest.approx(full)
    assert tube_step(0.0, full - 1e-4, 0.0, PA, 1.0, 0.1, narrow)[1] == pytest.approx(full)


def test_a_hanging_column_of_milk_falls_with_its_weight() -> None:
    """Without pressure the tube's content begins to move by its weight over its mass."""
    mass = tube_mass_kg(0.2, PA, CLAW)
    speed, liquid = tube_step(0.0, 0.2, 0.0, PA, 0.0, 0.001, CLAW)
    assert speed == pytest.approx(-0.001 * 0.2 * GRAVITY_M_S2 * CLAW.lift_m / CLAW.length_m / mass)
    assert liquid == pytest.approx(0.2, rel=1e-3)


def test_a_tube_that_runs_backwards_loses_no_milk() -> None:
    """Only what runs out of its far end is gone."""
    assert tube_step(-3.0, 0.2, -1e3, PA, 0.05, 0.02, CLAW)[1] == pytest.approx(0.2 + 0.02 * 0.05)


def test_a_pressure_alone_is_balanced_by_friction_in_the_end() -> None:
    """An empty tube's speed settles where the loss takes up the pressure, whatever the step."""
    for dt_s in (0.001, 0.05):
        speed, liquid = 0.0, 0.0
        for _ in range(round(20.0 / dt_s)):
            speed, liquid = tube_step(speed, liquid, 500.0, PA, 0.0, dt_s, CLAW)
        mass = tube_mass_kg(0.0, PA - 250.0, CLAW)
        assert 0.5 * CLAW.loss * mass / CLAW.length_m * speed**2 == pytest.approx(
            500.0 * CLAW.area_m2, rel=1e-6
        )


@pytest.mark.parametrize("rate_hz", [20.0, 100.0, 1000.0])
def test_a_slow_fall_of_a_dry_claw_is_the_air_it_stores(rate_hz: float) -> None:
    """A fall of 1 kPa/s of claw and line alike stores 0.4 L by a hundredth of an atmosphere a second.

    The tube is shut in by an equal pressure at both ends, so its flow hardly changes.
    """
    n = round(4.0 * rate_hz)
    ramp = 40.0 - np.linspace(0.0, 4.0, n)
    drop = quiet_tube(CLAW.atmosphere_pa - 38e3, 0.0, CLAW)[2] * 1e-3
    air = admitted_air_l_min(ClawModel(), ramp, ramp + drop, flow_kg_min=np.zeros(n), rate_hz=rate_hz)
    assert air[0] == 0.0
    stored = 0.4 / 101.325 * 60.0 * 4.0 / 4.0 * n / (n - 1)
    assert air[n // 2] == pytest.approx(stored, abs=0.15)


def test_a_record_begins_quiet_with_its_first_sample() -> None:
    """The tube carries what the first vacuum and the first flow ask for, whatever comes next."""
    flow = np.full(4, 3.0)
    kpa = np.full(4, steady_vacuum_kpa(ClawModel(), 3.0, 44.0))
    line = np.full(4, 44.0)
    air = admitted_air_l_min(ClawModel(), kpa, line, flow_kg_min=flow, rate_hz=20.0)
    assert air == pytest.approx(0.0, abs=0.2)
    later = kpa.copy()
    later[1] -= 5.0
    fell = admitted_air_l_min(ClawModel(), later, line, flow_kg_min=flow, rate_hz=20.0)
    assert fell[1] == pytest.approx(0.4 * 5.0 / 101.325 / 0.05 * 60.0, rel=0.1)  # what the gas stores
    milk = flow.copy()
    milk[1:] = 0.5
    less = admitted_air_l_min(ClawModel(), kpa, line, flow_kg_min=milk, rate_hz=20.0)
    assert less[1] == pytest.approx(2.5 / 1.03 * (1.0 - kpa[0] / 101.325), rel=0.3)  # air in its place
