"""Units of the trade against their definitions, an outside library and the standard atmosphere."""

from __future__ import annotations

import pytest
from fluids.atmosphere import ATMOSPHERE_1976
from hypothesis import given
from hypothesis import strategies as st
from scipy import constants

from detect.units import (
    KG_MIN_PER_FLOW_UNIT,
    KPA_PER_VACUUM_UNIT,
    L_PER_CUBIC_FOOT,
    SEA_LEVEL_KPA,
    FlowUnit,
    VacuumUnit,
    atmosphere_kpa,
    kg_from_lb,
    kpa_from_inhg,
    l_min_from_cfm,
)


@pytest.mark.source("scipy.constants: inch, torr (mm of mercury), CODATA/SI definitions")
def test_an_inch_of_mercury_is_25_4_millimetres_of_mercury() -> None:
    """The conventional inch of mercury agrees with the library to a millionth."""
    assert kpa_from_inhg(1.0) == pytest.approx(constants.inch / 1e-3 * constants.torr / 1e3, rel=1e-6)


@pytest.mark.source("computed from the equation by hand-independent code: inHg times 3.386389 kPa")
@pytest.mark.parametrize(
    ("vacuum_inhg", "vacuum_kpa"), [(14.0, 47.409), (15.0, 50.796), (10.5, 35.557), (12.5, 42.330)]
)
def test_vacuum_in_inches_becomes_kpa(vacuum_inhg: float, vacuum_kpa: float) -> None:
    """The vacuum levels of the trade come out to the last printed digit."""
    assert kpa_from_inhg(vacuum_inhg) == pytest.approx(vacuum_kpa, abs=5e-4)


@pytest.mark.source("Watters 2018, NMC talk: 1 inHg = 3.386 kPa, 1 cfm = 28.317 L/min")
def test_conversions_agree_with_the_talk_s_printed_factors() -> None:
    """Both factors agree to half a unit of the last printed digit."""
    assert kpa_from_inhg(1.0) == pytest.approx(3.386, abs=5e-4)
    assert l_min_from_cfm(1.0) == pytest.approx(28.317, abs=5e-4)


@pytest.mark.source("scipy.constants: foot, litre, exact by definition")
def test_a_cubic_foot_is_exact() -> None:
    """A cubic foot is (0.3048 m)^3."""
    assert pytest.approx(constants.foot**3 / constants.litre, rel=1e-12) == L_PER_CUBIC_FOOT


@pytest.mark.source("computed from the equation by hand-independent code: cfm times 28.316847 L")
def test_free_air_in_cubic_feet_becomes_litres() -> None:
    """35 cfm are 991.09 L/min, and a vent of 8 to 15 L/min takes 0.2825 to 0.5297 cfm."""
    assert l_min_from_cfm(35.0) == pytest.approx(991.09, abs=5e-3)
    assert 8.0 / l_min_from_cfm(1.0) == pytest.approx(0.2825, abs=5e-5)
    assert 15.0 / l_min_from_cfm(1.0) == pytest.approx(0.5297, abs=5e-5)


@pytest.mark.source("scipy.constants: lb, exact by definition")
def test_fifteen_pounds_are_6_804_kg() -> None:
    """A 15 lb mass is 6.804 kg."""
    assert kg_from_lb(15.0) == pytest.approx(15.0 * constants.lb, rel=1e-12)
    assert kg_from_lb(15.0) == pytest.approx(6.804, abs=5e-4)


@pytest.mark.source("scipy.constants: psi, bar, lb, minute")
def test_device_units_agree_with_the_library() -> None:
    """Every unit a device may send has the library's factor."""
    assert KPA_PER_VACUUM_UNIT[VacuumUnit.PSI] == pytest.approx(constants.psi / 1e3, rel=1e-6)
    assert KPA_PER_VACUUM_UNIT[VacuumUnit.MBAR] == pytest.approx(constants.bar / 1e6, rel=1e-12)
    assert KG_MIN_PER_FLOW_UNIT[FlowUnit.LB_MIN] == pytest.approx(constants.lb, rel=1e-12)
    assert KG_MIN_PER_FLOW_UNIT[FlowUnit.G_S] == pytest.approx(constants.minute * 1e-3, rel=1e-12)


def test_every_unit_has_a_factor() -> None:
    """No unit of the vocabulary is left without its conversion."""
    assert set(KPA_PER_VACUUM_UNIT) == set(VacuumUnit)
    assert set(KG_MIN_PER_FLOW_UNIT) == set(FlowUnit)


@pytest.mark.source("ISO 2533:1975 troposphere, formula; fluids (PyPI) ATMOSPHERE_1976")
@pytest.mark.parametrize(
    ("altitude_m", "pressure_kpa"), [(500.0, 95.46), (1000.0, 89.87), (1500.0, 84.56), (2000.0, 79.50)]
)
def test_the_air_thins_with_altitude(altitude_m: float, pressure_kpa: float) -> None:
    """Pressure falls from 95.46 kPa at 500 m to 79.50 kPa at 2 000 m."""
    assert atmosphere_kpa(altitude_m) == pytest.approx(pressure_kpa, abs=0.005)
    assert atmosphere_kpa(altitude_m) == pytest.approx(ATMOSPHERE_1976(altitude_m).P / 1e3, abs=0.02)


def test_sea_level_is_one_standard_atmosphere() -> None:
    """At no height the pressure is the standard atmosphere."""
    assert atmosphere_kpa(0.0) == pytest.approx(SEA_LEVEL_KPA)
    assert pytest.approx(constants.atm / 1e3, rel=1e-12) == SEA_LEVEL_KPA


@given(low_m=st.floats(-500.0, 10_999.0), step_m=st.floats(1.0, 5000.0))
def test_pressure_only_falls_with_altitude(low_m: float, step_m: float) -> None:
    """A higher parlor never has denser air."""
    assert atmosphere_kpa(min(low_m + step_m, 11_000.0)) < atmosphere_kpa(low_m)
