"""The vacuum is foreseen from its own past, and what could not be foreseen stands out."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.linalg import solve_toeplitz
from scipy.signal import lfilter

from detect.foresee import (
    LOADING,
    bar,
    began_ago,
    begin_trace,
    compare,
    foresee,
    keep_news,
    learn_trace,
    solve_trace,
)
from detect.params import DetectorParams
from detect.state import MILKED, ORDER, new_stalls

NUM = DetectorParams().numbers()
SIGMA_KPA = 0.2


def follow(stall: np.void, levels: np.ndarray) -> None:
    """Let a stall follow quiet levels [kPa] and learn from them."""
    for level in levels:
        foresee(stall, level)
        keep_news(stall, 0.0)
        compare(stall)
        learn_trace(stall)


def quiet_levels(bins: int, seed: int) -> np.ndarray:
    """Return levels [kPa] whose steps follow an autoregression of second order, shape (bins,)."""
    noise = np.random.default_rng(seed).normal(0.0, SIGMA_KPA, bins)
    return 40.0 + np.cumsum(lfilter([1.0], [1.0, -0.9, 0.6], noise))


def taught_stall() -> np.void:
    """Return a stall that has followed 2.5 min of quiet milking."""
    stall = new_stalls(1).view(np.recarray)[0]
    stall["milked"] = MILKED
    begin_trace(stall)
    follow(stall, quiet_levels(3000, seed=11))
    return stall


@pytest.mark.source("scipy.linalg.solve_toeplitz (SciPy), the same normal equations solved by its recursion")
def test_the_recursion_solves_the_normal_equations() -> None:
    """Levinson and Durbin's recursion gives what a reference library gives."""
    x = lfilter([1.0], [1.0, -1.2, 0.5], np.random.default_rng(3).normal(size=4000))
    lags = np.array([np.dot(x[: x.size - k], x[k:]) / x.size for k in range(ORDER + 1)])
    stall = new_stalls(1).view(np.recarray)[0]
    stall["lags"] = lags
    solve_trace(stall)
    loaded = np.r_[lags[0] * (1.0 + LOADING), lags[1:ORDER]]
    np.testing.assert_allclose(stall["ahead"][1:], solve_toeplitz(loaded, -lags[1:]), rtol=1e-9, atol=1e-12)


@pytest.mark.source("numpy.roots: a filter is stable when its polynomial has no root outside the unit circle")
@pytest.mark.parametrize("seed", range(20))
def test_a_filter_foretells_no_more_than_there_was(seed: int) -> None:
    """Lags that belong to no signal are forgotten, and every filter that is used is stable."""
    rng = np.random.default_rng(seed)
    stall = new_stalls(1).view(np.recarray)[0]
    stall["lags"] = np.r_[1.0, rng.uniform(-1.2, 1.2, ORDER)]
    stall["taught"] = 200
    solve_trace(stall)
    assert np.abs(np.roots(stall["ahead"])).max() < 1.0
    assert stall["taught"] == 0
    assert np.count_nonzero(stall["lags"]) == 2


@pytest.mark.parametrize(("neighbour", "kept"), [(0.94, True), (0.96, False), (1.2, False), (-0.96, False)])
def test_lags_are_believed_as_long_as_some_signal_may_have_them(neighbour: float, kept: bool) -> None:
    """A reflection coefficient of 0.95 is the limit, on both sides."""
    stall = new_stalls(1).view(np.recarray)[0]
    stall["lags"] = np.r_[1.0, (1.0 + LOADING) * neighbour ** np.arange(1.0, ORDER + 1.0)]
    stall["taught"] = 200
    solve_trace(stall)
    assert stall["taught"] == (200 if kept else 0)


def test_what_cannot_be_foreseen_is_the_noise_alone() -> None:
    """The innovations' spread is the standard deviation of what drove the steps, not of the steps."""
    stall = taught_stall()
    assert stall["spread"] == pytest.approx(SIGMA_KPA, rel=0.15)
    assert stall["ahead"][1] == pytest.approx(-0.9, abs=0.2)


def test_a_fall_of_ten_spreads_is_told_at_once_and_dated_to_its_bin() -> None:
    """A sudden fall passes the bar in its first three bins, and its begin is known to the bin."""
    stall = taught_stall()
    levels = quiet_levels(3060, seed=11)[3000:]
    levels[40:] -= 10 * SIGMA_KPA
    follow(stall, levels[:43])
    assert stall["now_score"] > bar(stall, NUM)
    assert began_ago(stall, 1.0) == 3


def test_quiet_milking_stays_under_the_bar() -> None:
    """Five minutes of the noise it knows give no alarm."""
    stall = taught_stall()
    highest = 0.0
    for level in quiet_levels(9000, seed=11)[3000:]:
        follow(stall, np.array([level]))
        highest = max(highest, float(stall["now_score"]))
    assert 2.0 < highest < bar(stall, NUM)


def test_a_gap_brings_no_news() -> None:
    """Bins without data neither alarm nor teach, and the first one after them counts for less."""
    stall = taught_stall()
    taught = int(stall["taught"])
    follow(stall, np.full(10, np.nan))
    assert stall["told"] == 0
    assert stall["taught"] == taught
    assert np.all(stall["fresh"][(int(stall["trace_n"]) - np.arange(10)) % 32] == 0.0)


def test_what_all_stalls_share_is_taken_out() -> None:
    """An innovation that every stall shows in the same bin is the plant's and leaves no trace."""
    stall = taught_stall()
    levels = quiet_levels(3060, seed=11)[3000:]
    levels[40:] -= 10 * SIGMA_KPA
    follow(stall, levels[:40])
    foresee(stall, levels[40])
    keep_news(stall, float(stall["news"]))
    compare(stall)
    assert stall["now_score"] < bar(stall, NUM)
