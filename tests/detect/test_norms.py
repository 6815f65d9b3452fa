"""What is usual at a stall: running means, medians of the others, and straight lines."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from detect.norms import (
    BORN_LOOKS,
    GROWN_LOOKS,
    MEMORY,
    QUORUM,
    STIFFNESS,
    expected_kpa,
    learn_curve,
    mean_into,
    usual,
    zeros_kpa,
)
from detect.state import new_stalls

BEAT = ("beat_n", "beat_kpa")
NEEDS = (GROWN_LOOKS, 3)


def norms(count: int, **fields: Any) -> Any:
    """Return the norms of some stalls."""
    own = new_stalls(count)["norms"]
    for name, value in fields.items():
        own[name] = value
    return own


def test_a_mean_has_a_memory() -> None:
    """The first eight values count alike; after that the newest is an eighth."""
    (norm,) = norms(1)
    values = np.random.default_rng(1).normal(5.0, 1.0, 8)
    for value in values:
        mean_into(norm, BEAT, float(value), 8)
    assert (norm["beat_n"], norm["beat_kpa"]) == (8, pytest.approx(values.mean()))
    mean_into(norm, BEAT, 13.0, 8)
    assert norm["beat_kpa"] == pytest.approx(values.mean() + (13.0 - values.mean()) / 8.0)


def test_a_stall_speaks_for_itself_once_it_is_grown() -> None:
    """Before, the median of the others that are known, and without a quorum of them nobody."""
    own = norms(QUORUM + 1, beat_n=3)
    own["beat_kpa"] = [9.0, 1.0, 2.0, 3.0, 5.0]
    assert usual(own, BEAT, 0, NEEDS) == 2.5
    own["beat_n"][0] = GROWN_LOOKS
    assert usual(own, BEAT, 0, NEEDS) == 9.0
    own["beat_n"][:2] = (GROWN_LOOKS - 1, 2)
    assert np.isnan(usual(own, BEAT, 0, NEEDS))
    assert usual(own, BEAT, 1, NEEDS) == 4.0


def test_a_zero_corrects_within_bounds_and_only_when_seen() -> None:
    """Nothing is corrected before a parking was seen."""
    own = norms(4, zero_n=[0, 1, 1, 2], zero_kpa=[0.7, 0.7, 5.0, -5.0])
    assert zeros_kpa(own, 2.0).tolist() == [0.0, 0.7, 2.0, -2.0]


@pytest.mark.source("numpy.mean and numpy.cov")
def test_a_curve_keeps_means_variance_and_covariance() -> None:
    """As a library gives them, while nothing is forgotten."""
    rng = np.random.default_rng(2)
    flow = rng.uniform(0.5, 5.0, 60)
    kpa = 43.0 - 0.8 * flow + rng.normal(0.0, 0.2, 60)
    (norm,) = norms(1)
    for f, v in zip(flow, kpa, strict=True):
        learn_curve(norm, f, v)
    cov = np.cov(flow, kpa, bias=True)
    assert (norm["curve_n"], norm["curve_flow"], norm["curve_kpa"]) == (
        60,
        pytest.approx(flow.mean()),
        pytest.approx(kpa.mean()),
    )
    assert (norm["curve_var"], norm["curve_cov"]) == (pytest.approx(cov[0, 0]), pytest.approx(cov[0, 1]))
    norm["curve_n"] = 10 * MEMORY
    before = float(norm["curve_kpa"])
    learn_curve(norm, float(norm["curve_flow"]), before + 20.0)
    assert norm["curve_kpa"] == pytest.approx(before + 20.0 / MEMORY)


def lines(slopes: list[float], looks: list[int], spread: float = 1.5) -> Any:
    """Return stalls that know a straight line each around 2 kg/min and 42 kPa."""
    own = norms(len(slopes), curve_n=looks, curve_flow=2.0, curve_kpa=42.0, curve_var=spread)
    own["curve_cov"] = spread * np.array(slopes)
    return own


def test_a_grown_stall_s_vacuum_is_on_its_own_line() -> None:
    """Its slope leans on the parlor's as if that had been seen over a spread of 0.3."""
    own = lines([-1.0, -0.5], [GROWN_LOOKS, BORN_LOOKS])
    mine, others = expected_kpa(own, np.array([3.0, 3.0]))
    pooled = -0.75
    slope = (-1.0 * 1.5 + STIFFNESS * pooled) / (1.5 + STIFFNESS)
    assert mine[0] == pytest.approx(42.0 + slope)
    assert np.isnan(mine[1])
    assert np.isnan(others).all()
    own["curve_n"][1] = BORN_LOOKS - 1
    slope = (-1.0 * 1.5 + STIFFNESS * -1.0) / (1.5 + STIFFNESS)
    assert expected_kpa(own, np.array([3.0, 3.0]))[0][0] == pytest.approx(42.0 + slope)


@pytest.mark.source("numpy.median")
@pytest.mark.parametrize("count", [5, 6, 41])
def test_the_others_vacuum_is_their_median(count: int) -> None:
    """Of odd and even numbers of stalls, without the one that asks."""
    own = lines([-1.0] * count, [BORN_LOOKS] * count)
    own["curve_kpa"] = np.random.default_rng(count).normal(42.0, 1.0, count)
    others = expected_kpa(own, np.full(count, 2.0))[1]
    assert others == pytest.approx([np.median(np.delete(own["curve_kpa"], i)) for i in range(count)])


def test_a_new_stall_s_vacuum_is_the_middle_of_the_others_lines() -> None:
    """At its own flow, by the others that are born, if there are four; none where the flow is not known."""
    own = lines([-9.0, -1.0, -1.0, -1.0, -1.0], [GROWN_LOOKS - 1, *[BORN_LOOKS] * 4])
    own["curve_kpa"] = [10.0, 41.0, 42.0, 43.0, 44.0]
    slope = (-1.0 * 1.5 + STIFFNESS * -2.6) / (1.5 + STIFFNESS)
    mine, others = expected_kpa(own, np.array([4.0] + [np.nan] * 4))
    assert np.isnan(mine[0])
    assert others[0] == pytest.approx(42.5 + 2.0 * slope)
    assert np.isnan(others[1:]).all()
    own["curve_n"][4] = BORN_LOOKS - 1
    assert np.isnan(expected_kpa(own, np.full(5, 4.0))[1][0])


def test_without_any_line_nothing_is_expected() -> None:
    """A new parlor knows nothing."""
    mine, others = expected_kpa(norms(3), np.full(3, 2.0))
    assert np.isnan(mine).all()
    assert np.isnan(others).all()
