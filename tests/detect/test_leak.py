"""The steady leak behind a low claw vacuum."""

from __future__ import annotations

import pytest

from detect.claw import ClawModel, steady_vacuum_kpa
from detect.condition_params import ConditionParams
from detect.errors import ParameterError
from detect.leak import LINE_KPA, extra_air_l_min


@pytest.mark.parametrize("flow", [0.3, 1.5, 3.0])
@pytest.mark.parametrize("leak", [8.0, 16.0, 30.0])
def test_the_leak_comes_back_from_its_own_vacuum(flow: float, leak: float) -> None:
    """What more air takes from the steady vacuum is read back as that air."""
    claw = ClawModel()
    leaking = ClawModel(vent_l_min=claw.vent_l_min + leak)
    short = steady_vacuum_kpa(claw, flow, LINE_KPA) - steady_vacuum_kpa(leaking, flow, LINE_KPA)
    assert extra_air_l_min(claw, flow, short) == pytest.approx(leak, abs=0.1)


def test_a_high_vacuum_is_no_leak() -> None:
    """Nothing is short, nothing leaks."""
    assert extra_air_l_min(ClawModel(), 2.0, 0.0) == 0.0
    assert extra_air_l_min(ClawModel(), 2.0, -3.0) == 0.0


def test_the_estimate_is_bounded() -> None:
    """However low the vacuum, no more is claimed than the model was made for."""
    assert extra_air_l_min(ClawModel(), 2.0, 40.0) == pytest.approx(50.0, abs=0.1)


@pytest.mark.parametrize(
    ("name", "changes"),
    [("zero_kpa", {"zero_kpa": 0.4}), ("beat_share", {"beat_share": 0.5}), ("leak_looks", {"leak_looks": 0})],
)
def test_limits_that_contradict_each_other_are_refused(name: str, changes: dict[str, float]) -> None:
    """The error names the limit."""
    with pytest.raises(ParameterError, match="outside its range") as caught:
        ConditionParams(**changes)  # type: ignore[arg-type]
    assert name in str(caught.value)


def test_a_leak_next_to_nothing_is_next_to_nothing() -> None:
    """A thousandth of a kPa short is no litre; a dry unit is taken to have a little milk."""
    assert extra_air_l_min(ClawModel(), 2.0, 1e-3) < 0.1
    assert extra_air_l_min(ClawModel(), 0.0, 0.02) == extra_air_l_min(ClawModel(), 0.05, 0.02)
    assert extra_air_l_min(ClawModel(), 0.0, 0.02) != extra_air_l_min(ClawModel(), 0.1, 0.02)
