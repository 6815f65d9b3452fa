"""Every limit of the parameters at its edge, from both sides."""

from __future__ import annotations

from dataclasses import replace

import pytest

from detect.condition_params import ConditionParams
from detect.errors import ParameterError
from detect.params import DetectorParams


@pytest.mark.parametrize(
    ("group", "wrong"),
    [
        ("unit", {"off_kpa": 0.0}),
        ("unit", {"on_kpa": 10.0}),
        ("unit", {"settle_min_s": 0.0}),
        ("unit", {"settle_min_s": 25.0}),
        ("air", {"threshold": 1.0}),
        ("air", {"least_belief": -0.01}),
        ("air", {"close_share": 0.0}),
        ("air", {"train_s": 0.0}),
        ("air", {"train_s": 30.0}),
        ("milking", {"wash_share": 0.0}),
        ("milking", {"wash_share": 1.01}),
        ("support", {"swing_share": 1.0}),
        ("timeline", {"patience_s": 0.0}),
        ("timeline", {"patience_s": 20.0}),
    ],
)
def test_parameters_at_the_edge_of_their_range_are_refused(group: str, wrong: dict[str, float]) -> None:
    """Each limit is its own."""
    default = DetectorParams()
    with pytest.raises(ParameterError):
        replace(default, **{group: replace(getattr(default, group), **wrong)})


@pytest.mark.parametrize(
    "right",
    [
        {"unit": {"off_kpa": 0.5}},
        {"air": {"threshold": 1.5, "least_belief": 0.0, "close_share": 0.5}},
        {"air": {"train_s": 0.05, "close_share": 0.9}},
        {"plant": {"dip_kpa": 0.5}},
        {"milking": {"wash_share": 1.0}},
        {"support": {"swing_share": 0.9}},
        {"timeline": {"patience_s": 0.5}},
        {"unit": {"settle_min_s": 0.5}},
    ],
    ids=str,
)
def test_parameters_within_their_range_are_taken(right: dict[str, dict[str, float]]) -> None:
    """Nothing else is asked of them."""
    default = DetectorParams()
    parts = {group: replace(getattr(default, group), **values) for group, values in right.items()}
    assert replace(default, **parts).digest != default.digest


@pytest.mark.parametrize(
    ("wrong", "right"),
    [
        ({"still_kpa": 0.0}, {"still_kpa": 0.001}),
        ({"still_s": 4.9}, {"still_s": 5.0}),
        ({"zero_fine_kpa": 0.0}, {"zero_fine_kpa": 0.1}),
        ({"zero_kpa": 0.5}, {"zero_kpa": 0.51}),
        ({"slow_fine_ratio": 1.0}, {"slow_fine_ratio": 1.01}),
        ({"slow_ratio": 1.5}, {"slow_ratio": 1.51}),
        ({"beat_share": 0.0}, {"beat_share": 0.01}),
        ({"beat_fine_share": 1.0}, {"beat_fine_share": 0.99}),
        ({"beat_share": 0.3}, {"beat_share": 0.29}),
        ({"rate_ratio": 0.049}, {"rate_ratio": 0.05}),
        ({"rate_ratio": 0.301}, {"rate_ratio": 0.3}),
        ({"leak_fine_l_min": 0.0}, {"leak_fine_l_min": 0.1}),
        ({"leak_l_min": 5.0}, {"leak_l_min": 5.1}),
        ({"leak_looks": 0}, {"leak_looks": 1}),
    ],
)
def test_limits_of_conditions_hold_to_their_edges(wrong: dict[str, float], right: dict[str, float]) -> None:
    """One side is taken, the other refused with the limit's name."""
    assert ConditionParams(**right) != ConditionParams()  # type: ignore[arg-type]
    with pytest.raises(ParameterError, match="condition"):
        ConditionParams(**wrong)  # type: ignore[arg-type]
