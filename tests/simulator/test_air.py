"""Air through holes, against printed values and an independent library of compressible flow."""

from __future__ import annotations

import math

import pytest
from fluids.atmosphere import ATMOSPHERE_1976
from fluids.compressible import P_critical_flow
from fluids.flow_meter import nozzle_expansibility

from simulator.air import (
    CRITICAL_RATIO,
    GAP_DISCHARGE,
    PSI_CHOKED,
    SEA_LEVEL_KPA,
    atmosphere_kpa,
    flow_function,
    free_air_l_min,
    hole_area_mm2,
)


def _through_hole_l_min(diameter_mm: float, vacuum_kpa: float) -> float:
    area = GAP_DISCHARGE * hole_area_mm2(diameter_mm)
    return free_air_l_min(area, SEA_LEVEL_KPA - vacuum_kpa, SEA_LEVEL_KPA)


@pytest.mark.source("fluids 1.3 (PyPI), compressible.P_critical_flow")
@pytest.mark.parametrize(("outside_kpa", "critical_vacuum_kpa"), [(101.325, 47.797), (95.0, 44.813)])
def test_a_hole_chokes_at_the_library_s_critical_pressure(outside_kpa, critical_vacuum_kpa):
    """The critical vacuum is 47.797 kPa at sea level and agrees with the library."""
    assert pytest.approx(0.528282, abs=1e-6) == CRITICAL_RATIO
    assert outside_kpa * (1.0 - CRITICAL_RATIO) == pytest.approx(critical_vacuum_kpa, abs=1e-3)
    assert outside_kpa * CRITICAL_RATIO == pytest.approx(P_critical_flow(outside_kpa, 1.4), rel=1e-9)


@pytest.mark.source("fluids 1.3 (PyPI), flow_meter.nozzle_expansibility (ISO 5167 nozzle, isentropic)")
@pytest.mark.parametrize("vacuum_kpa", [1.0, 5.0, 10.0, 20.0, 30.0, 40.0, 47.0])
def test_free_air_agrees_with_the_library_s_nozzle(vacuum_kpa):
    """Below choking a small hole passes what an ISO 5167 nozzle with the same coefficient passes."""
    outside_pa, inside_pa = 101_325.0, 101_325.0 - vacuum_kpa * 1e3
    density = outside_pa / (287.05 * 293.15)
    expansibility = nozzle_expansibility(D=1.0, Do=1e-5, P1=outside_pa, P2=inside_pa, k=1.4)
    speed = expansibility * math.sqrt(2.0 * (outside_pa - inside_pa) / density)
    expected = GAP_DISCHARGE * math.pi / 4.0 * 1e-6 * speed * 6e4
    assert _through_hole_l_min(1.0, vacuum_kpa) == pytest.approx(expected, rel=1e-6)


def test_a_choked_square_millimetre_passes_twelve_litres():
    """At 20 degC the choked free velocity is 198.63 m/s, 11.918 L/min per mm2."""
    assert free_air_l_min(1.0, 30.0, SEA_LEVEL_KPA) == pytest.approx(11.918, rel=1e-3)
    assert free_air_l_min(1.0, 30.0, SEA_LEVEL_KPA) / 60.0 * 1e3 == pytest.approx(198.63, rel=1e-3)


@pytest.mark.parametrize(
    ("vacuum_kpa", "l_min"),
    [(10.0, 4.595), (20.0, 6.102), (30.0, 6.956), (40.0, 7.390), (48.0, 7.488), (80.0, 7.488)],
)
def test_a_one_millimetre_hole_passes_the_worked_values(vacuum_kpa, l_min):
    """A 1.0 mm hole with coefficient 0.8 passes 4.595 to 7.488 L/min."""
    assert _through_hole_l_min(1.0, vacuum_kpa) == pytest.approx(l_min, rel=2e-3)


def test_air_grows_with_the_square_of_the_diameter():
    """A 4 mm hole passes sixteen times a 1 mm hole: 118.23 L/min at 40 kPa."""
    assert _through_hole_l_min(4.0, 40.0) == pytest.approx(118.23, rel=2e-3)
    assert _through_hole_l_min(4.0, 40.0) == pytest.approx(16.0 * _through_hole_l_min(1.0, 40.0))


def test_a_hole_is_nearly_a_constant_source_of_air():
    """At 20 and 40 kPa a hole passes 81.49 and 98.68 % of choked flow; the incompressible law 31.5 % more."""
    share = [flow_function(1.0 - v / SEA_LEVEL_KPA) / PSI_CHOKED for v in (20.0, 40.0)]
    assert share == pytest.approx([0.8149, 0.9868], abs=1e-3)
    incompressible = math.sqrt(2.0 * 40.0 / SEA_LEVEL_KPA)
    assert incompressible / flow_function(1.0 - 40.0 / SEA_LEVEL_KPA) == pytest.approx(1.315, abs=1e-3)


def test_no_air_flows_against_the_pressure():
    """A claw at or above atmospheric pressure admits nothing."""
    assert free_air_l_min(10.0, SEA_LEVEL_KPA, SEA_LEVEL_KPA) == 0.0
    assert free_air_l_min(10.0, SEA_LEVEL_KPA + 5.0, SEA_LEVEL_KPA) == 0.0


@pytest.mark.source("US Standard Atmosphere 1976 as in fluids 1.3 (PyPI), ATMOSPHERE_1976")
@pytest.mark.parametrize(
    ("altitude_m", "kpa"), [(500.0, 95.46), (1000.0, 89.87), (1500.0, 84.56), (2000.0, 79.50)]
)
def test_the_atmosphere_thins_as_the_standard_says(altitude_m, kpa):
    """Pressure falls to 79.50 kPa at 2 000 m."""
    assert atmosphere_kpa(altitude_m) == pytest.approx(kpa, abs=0.05)
    assert atmosphere_kpa(altitude_m) == pytest.approx(ATMOSPHERE_1976(altitude_m).P / 1e3, abs=0.02)


def test_an_altitude_outside_the_troposphere_is_refused():
    """No parlor stands at 20 km."""
    with pytest.raises(ValueError, match="altitude_m"):
        atmosphere_kpa(20_000.0)


@pytest.mark.parametrize("ratio", [0.6, 0.7, 0.9, 0.99])
def test_free_air_at_the_same_pressure_ratio_does_not_depend_on_altitude(ratio):
    """Free air depends on the pressure ratio only."""
    at_sea = free_air_l_min(3.0, ratio * SEA_LEVEL_KPA, SEA_LEVEL_KPA)
    assert free_air_l_min(3.0, ratio * 84.56, 84.56) == pytest.approx(at_sea, rel=1e-12)
