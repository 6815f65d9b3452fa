"""Air through openings, against worked values and an outside library of compressible flow."""

from __future__ import annotations

import math

import pytest
from fluids.compressible import P_critical_flow, isentropic_T_rise_compression
from fluids.flow_meter import nozzle_expansibility
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad

from detect.air import (
    AMBIENT_K,
    CHOKED_FLOW,
    CHOKED_L_MIN_PER_MM2,
    CRITICAL_RATIO,
    GAS_CONSTANT_J_KG_K,
    HEAT_CAPACITY_RATIO,
    critical_vacuum_kpa,
    decay_s,
    flow_function,
    free_air_l_min,
    opening_mm2,
)
from detect.units import SEA_LEVEL_KPA

EQUATION = "computed from the equation by hand-independent code: "


def hole_mm2(bore_mm: float) -> float:
    """Return the area of a round hole."""
    return math.pi / 4.0 * bore_mm**2


@pytest.mark.source("fluids (PyPI) compressible.P_critical_flow")
@pytest.mark.parametrize(("atmosphere_kpa", "vacuum_kpa"), [(101.325, 47.797), (95.0, 44.813)])
def test_an_opening_chokes_at_the_critical_vacuum(atmosphere_kpa: float, vacuum_kpa: float) -> None:
    """The critical vacuum is 47.797 kPa at sea level and agrees with the library anywhere."""
    assert critical_vacuum_kpa(atmosphere_kpa) == pytest.approx(vacuum_kpa, abs=1e-3)
    library_kpa = atmosphere_kpa - P_critical_flow(atmosphere_kpa, HEAT_CAPACITY_RATIO)
    assert critical_vacuum_kpa(atmosphere_kpa) == pytest.approx(library_kpa, rel=1e-9)


@pytest.mark.source("White, Fluid Mechanics: isentropic nozzle, critical ratio 0.5283 for air (from memory)")
def test_the_critical_ratio_of_air_is_0_528282() -> None:
    """Air chokes at 52.83 % of the pressure before the opening."""
    assert pytest.approx(0.528282, abs=5e-7) == CRITICAL_RATIO


@pytest.mark.source("fluids (PyPI) compressible.isentropic_T_rise_compression: energy equation of the jet")
@pytest.mark.parametrize("ratio", [0.53, 0.6, 0.7, 0.8, 0.9, 0.99])
def test_the_flow_function_obeys_the_energy_equation(ratio: float) -> None:
    """Density times speed of an isentropic jet, with the library's temperature, is psi of the ratio."""
    jet_k = isentropic_T_rise_compression(AMBIENT_K, 101_325.0, 101_325.0 * ratio, HEAT_CAPACITY_RATIO)
    heat_j_kg_k = GAS_CONSTANT_J_KG_K * HEAT_CAPACITY_RATIO / (HEAT_CAPACITY_RATIO - 1.0)
    speed_m_s = math.sqrt(2.0 * heat_j_kg_k * (AMBIENT_K - jet_k))
    density_share = ratio * AMBIENT_K / jet_k
    psi = density_share * speed_m_s / math.sqrt(GAS_CONSTANT_J_KG_K * AMBIENT_K)
    assert flow_function(ratio) == pytest.approx(psi, rel=1e-9)


@pytest.mark.source("fluids (PyPI) flow_meter.nozzle_expansibility: ISO 5167 nozzle")
@pytest.mark.parametrize("vacuum_kpa", [1.0, 5.0, 10.0, 20.0, 30.0, 40.0, 47.0])
def test_free_air_agrees_with_an_iso_nozzle(vacuum_kpa: float) -> None:
    """Below choking an opening passes what an ISO 5167 nozzle of the same coefficient passes."""
    outside_pa, inside_pa = 101_325.0, 101_325.0 - vacuum_kpa * 1e3
    density = outside_pa / (GAS_CONSTANT_J_KG_K * AMBIENT_K)
    expansibility = nozzle_expansibility(D=1.0, Do=1e-5, P1=outside_pa, P2=inside_pa, k=1.4)
    l_min_mm2 = 0.06 * expansibility * math.sqrt(2.0 * (outside_pa - inside_pa) / density)
    assert free_air_l_min(2.0, vacuum_kpa, discharge=0.65) == pytest.approx(2.0 * 0.65 * l_min_mm2, rel=1e-6)


@pytest.mark.source(EQUATION + "Saint-Venant and Wantzel at 20 degrees Celsius")
def test_a_choked_square_millimetre_passes_twelve_litres() -> None:
    """The choked free velocity is 198.63 m/s, 11.918 L/min through a square millimetre."""
    assert pytest.approx(11.918, abs=5e-4) == CHOKED_L_MIN_PER_MM2
    assert pytest.approx(198.63, abs=5e-3) == CHOKED_L_MIN_PER_MM2 / 0.06
    assert pytest.approx(0.68473, abs=5e-6) == CHOKED_FLOW


@pytest.mark.source(EQUATION + "1.0 mm hole, discharge 0.8, 20 degrees Celsius")
@pytest.mark.parametrize(
    ("vacuum_kpa", "l_min"),
    [(10.0, 4.595), (20.0, 6.102), (30.0, 6.956), (40.0, 7.390), (48.0, 7.488), (80.0, 7.488)],
)
def test_a_one_millimetre_hole_passes_the_worked_values(vacuum_kpa: float, l_min: float) -> None:
    """The hole passes 4.595 L/min at 10 kPa and no more than 7.488 however deep the vacuum."""
    assert free_air_l_min(hole_mm2(1.0), vacuum_kpa) == pytest.approx(l_min, abs=5e-4)


@pytest.mark.source(EQUATION + "4 mm hole, discharge 0.8, 40 kPa")
def test_air_grows_with_the_square_of_the_bore() -> None:
    """A 4 mm hole passes 118.23 L/min, sixteen times a 1 mm hole."""
    assert free_air_l_min(hole_mm2(4.0), 40.0) == pytest.approx(118.23, abs=0.02)
    assert free_air_l_min(hole_mm2(4.0), 40.0) == pytest.approx(16.0 * free_air_l_min(hole_mm2(1.0), 40.0))


@pytest.mark.source(EQUATION + "psi over choked psi; incompressible orifice law over psi")
def test_the_incompressible_law_would_be_a_third_too_high() -> None:
    """At 20 and 40 kPa psi is 81.49 and 98.68 % of choked, the incompressible law 1.315 times too high."""
    share = [flow_function(1.0 - v / SEA_LEVEL_KPA) / CHOKED_FLOW for v in (20.0, 40.0)]
    assert share == pytest.approx([0.8149, 0.9868], abs=5e-5)
    incompressible = math.sqrt(2.0 * 40.0 / SEA_LEVEL_KPA)
    assert incompressible / flow_function(1.0 - 40.0 / SEA_LEVEL_KPA) == pytest.approx(1.315, abs=5e-4)


@pytest.mark.parametrize("vacuum_kpa", [0.0, -5.0])
def test_no_vacuum_admits_no_air(vacuum_kpa: float) -> None:
    """A claw at or above atmospheric pressure admits nothing, and no opening could explain air."""
    assert free_air_l_min(10.0, vacuum_kpa) == 0.0
    assert opening_mm2(10.0, vacuum_kpa) == math.inf


@given(ratio=st.floats(0.3, 0.999), altitude_kpa=st.floats(75.0, 101.325))
def test_free_air_at_one_pressure_ratio_is_the_same_at_any_altitude(
    ratio: float, altitude_kpa: float
) -> None:
    """Free air depends on the pressure ratio only."""
    at_sea = free_air_l_min(3.0, SEA_LEVEL_KPA * (1.0 - ratio))
    aloft = free_air_l_min(3.0, altitude_kpa * (1.0 - ratio), atmosphere_kpa=altitude_kpa)
    assert aloft == pytest.approx(at_sea, rel=1e-6)


@given(area_mm2=st.floats(0.01, 150.0), vacuum_kpa=st.floats(0.1, 60.0))
def test_the_opening_follows_from_its_air(area_mm2: float, vacuum_kpa: float) -> None:
    """Area to air and back is the same area."""
    assert opening_mm2(free_air_l_min(area_mm2, vacuum_kpa), vacuum_kpa) == pytest.approx(area_mm2, rel=1e-9)


@pytest.mark.source(EQUATION + "60 L/min of free air into a closed 0.45 L rises 225.2 kPa a second")
def test_a_closed_claw_fills_at_the_isothermal_rate() -> None:
    """60 L/min raise the pressure of a closed 0.45 L by 225.2 kPa in one second."""
    assert decay_s(0.45, 225.2, 0.0, inflow_l_min=60.0) == pytest.approx(1.0, rel=1e-3)


@pytest.mark.source(
    EQUATION + "0.4 L closed volume through a vent of discharge 0.8; integrated by scipy quad"
)
@pytest.mark.parametrize(("bore_mm", "seconds"), [(1.0, 1.19), (0.7, 2.44)])
def test_a_vented_claw_decays_in_the_worked_time(bore_mm: float, seconds: float) -> None:
    """A shut-off claw falls from 42 to 10 kPa in 1.19 s through 1.0 mm and in 2.44 s through 0.7 mm."""
    spent, _ = quad(lambda v: 0.4 / SEA_LEVEL_KPA * 60.0 / free_air_l_min(hole_mm2(bore_mm), v), 10.0, 42.0)
    assert spent == pytest.approx(seconds, rel=0.03)


@pytest.mark.source(EQUATION + "the same with the vent's air at 40 kPa held constant: 1.03 s")
def test_a_constant_vent_gives_the_shorter_worked_time() -> None:
    """Taking the vent as a constant source gives 1.03 s, less than the true 1.19 s."""
    constant = decay_s(0.4, 42.0, 10.0, inflow_l_min=free_air_l_min(hole_mm2(1.0), 40.0))
    assert constant == pytest.approx(1.03, abs=0.005)
