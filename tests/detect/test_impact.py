"""The estimated reverse pressure gradient keeps the rules of the trade."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from detect.impact import DRY_KG_MIN, WET_KG_MIN, gradient_kpa, impact_kpa, teat_vacuum_kpa
from detect.units import kpa_from_inhg

VACUUM = st.floats(20.0, 50.0)


def test_fourteen_inches_of_mercury_are_47_4_kpa() -> None:
    """A system vacuum of 14 inHg is 47.4 kPa (common practice, no source)."""
    assert kpa_from_inhg(14.0) == pytest.approx(47.4, abs=0.05)


@given(quiet_kpa=VACUUM, flow_kg_min=st.floats(WET_KG_MIN, 8.0))
def test_the_gradient_is_negative_in_milking(quiet_kpa: float, flow_kg_min: float) -> None:
    """While milk flows the pressure pushes out of the teat (common practice, no source)."""
    assert gradient_kpa(flow_kg_min, quiet_kpa, quiet_kpa) == pytest.approx(-quiet_kpa)


@given(quiet_kpa=VACUUM, flow_kg_min=st.floats(0.0, DRY_KG_MIN))
def test_the_gradient_is_zero_at_the_end(quiet_kpa: float, flow_kg_min: float) -> None:
    """A dry teat stands at claw vacuum: no gradient (common practice, no source)."""
    assert gradient_kpa(flow_kg_min, quiet_kpa, quiet_kpa) == pytest.approx(0.0, abs=1e-9)


@given(quiet_kpa=VACUUM, flow_kg_min=st.floats(0.0, DRY_KG_MIN), share=st.floats(0.05, 1.0))
def test_the_gradient_is_positive_in_a_slip_of_a_dry_teat(
    quiet_kpa: float, flow_kg_min: float, share: float
) -> None:
    """A slip at the end pushes towards the teat (common practice, no source)."""
    claw_kpa = quiet_kpa * (1.0 - share)
    assert gradient_kpa(flow_kg_min, quiet_kpa, claw_kpa) == pytest.approx(quiet_kpa * share)
    assert impact_kpa(flow_kg_min, quiet_kpa, quiet_kpa * share) == pytest.approx(quiet_kpa * share)


def test_a_slip_in_full_flow_does_not_reverse_the_gradient() -> None:
    """At peak flow the same slip has no impact (common practice, no source)."""
    assert impact_kpa(3.0, 42.0, 20.0) == 0.0
    assert gradient_kpa(3.0, 42.0, 22.0) < 0.0


@given(quiet_kpa=VACUUM, depth=st.floats(0.0, 20.0), low=st.floats(0.0, 3.0), more=st.floats(0.0, 3.0))
def test_impact_never_grows_with_milk_flow(quiet_kpa: float, depth: float, low: float, more: float) -> None:
    """The drier the udder, the worse the same slip; never is it below zero."""
    assert impact_kpa(low, quiet_kpa, depth) >= impact_kpa(low + more, quiet_kpa, depth) >= 0.0


def test_dryness_is_linear_between_wet_and_dry() -> None:
    """Half way between the two flows the teat holds half the claw's vacuum."""
    assert teat_vacuum_kpa(0.5 * (WET_KG_MIN + DRY_KG_MIN), 42.0) == pytest.approx(21.0)
