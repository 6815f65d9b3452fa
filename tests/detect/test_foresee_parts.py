"""The forecast's parts: steps, gaps, likeness, spread, tail and bar, on innovations written by hand."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from detect.foresee import (
    AFTER_GAP,
    DRY,
    GREEN,
    GREEN_BINS,
    GUESSED,
    LEARN_BINS,
    LEAST_SPREAD_KPA,
    MOST_TAIL,
    OUTLIER,
    PLAIN,
    POWER_GAIN,
    REFIT,
    SOON_BINS,
    SPREAD_S,
    WILD,
    bar,
    began_ago,
    begin_trace,
    compare,
    foresee,
    keep_news,
    learn_tail,
    learn_trace,
    likeness,
    solve_trace,
)
from detect.params import BIN_S
from detect.state import MILKED, ORDER, TRACE, WIDTHS
from tests.detect.by_hand import NUM, stall

MASK = TRACE - 1
AHEAD = np.r_[1.0, np.random.default_rng(5).uniform(-0.3, 0.3, ORDER)]


def following(levels: Any, **fields: Any) -> Any:
    """Return a stall that has followed some levels with a forecast of its own."""
    s = stall(ahead=AHEAD, spread=0.25, **fields)
    for level in levels:
        foresee(s, level)
        keep_news(s, 0.0)
    return s


def test_an_innovation_is_the_step_less_its_forecast_in_spreads() -> None:
    """The prediction error filter over the newest 24 steps, told once that many are known."""
    levels = 40.0 + np.cumsum(np.random.default_rng(6).normal(0.0, 0.4, 70))
    s = following(levels)
    steps = np.diff(levels)
    error = np.dot(AHEAD, steps[::-1][: ORDER + 1])
    assert s["news"] == pytest.approx(error / 0.25)
    assert (s["trace_n"], s["told"], s["trace_level"]) == (70, 1, levels[-1])
    assert [following(levels[:n])["told"] for n in (ORDER + 1, ORDER + 2)] == [0, 1]
    before = [float(s["fresh"][(70 - k) & MASK]) for k in range(3)]
    whole = [np.dot(AHEAD, steps[: 69 - k][::-1][: ORDER + 1]) / 0.25 for k in range(3)]
    assert before == pytest.approx(whole)


def test_what_is_missing_is_guessed_and_the_first_bin_after_it_counts_less() -> None:
    """A guess is a step like any other; it brings no news; after ten of them the trace begins anew."""
    levels = list(40.0 + np.cumsum(np.random.default_rng(7).normal(0.0, 0.4, 60)))
    s = following([*levels, math.nan])
    guess = -np.dot(AHEAD[1:], np.diff(levels)[::-1][:ORDER])
    assert s["trace_level"] == pytest.approx(levels[-1] + guess)
    assert (s["told"], s["trace_gap"], s["news"], s["trace_n"]) == (0, 1, 0.0, 61)
    after = following([*levels, math.nan, levels[-1]])
    whole = following([*levels, levels[-1] + guess, levels[-1]])
    assert after["news"] == pytest.approx(AFTER_GAP * whole["news"])
    assert (after["trace_gap"], after["told"]) == (0, 1)
    ten = following([*levels, *[math.nan] * GUESSED, 40.0])
    assert (ten["trace_n"], ten["told"]) == (60 + GUESSED + 1, 1)
    more = following([*levels, *[math.nan] * (GUESSED + 1), 40.0])
    assert (more["trace_n"], more["told"], more["trace_level"]) == (1, 0, 40.0)
    assert following([math.nan, math.nan])["trace_n"] == 0


def test_a_trace_that_begins_forgets_its_steps_and_nothing_learned() -> None:
    """Count, gap, calm and news are gone; the filter stays."""
    s = stall(trace_n=9, trace_gap=2, calm_run=7, news=3.0, told=1, taught=500)
    begin_trace(s)
    assert [s[name] for name in ("trace_n", "trace_gap", "calm_run", "news", "told")] == [0, 0, 0, 0.0, 0]
    assert s["taught"] == 500


def test_what_is_shared_is_taken_off_what_was_told_only() -> None:
    """Without a forecast there is nothing to take it off."""
    told, silent = stall(told=1, news=3.0, trace_n=5), stall(told=0, news=3.0, trace_n=5)
    for s in (told, silent):
        s["fresh"] = 9.0
        keep_news(s, 1.25)
    assert (told["fresh"][5], silent["fresh"][5]) == (1.75, 0.0)


def traced(shape: int, ago: int, size: float = 1.0) -> Any:
    """Return a stall with a filter of its own whose innovations are a fall's trace begun some bins ago."""
    s = stall(trace_n=90)
    s["lags"] = np.r_[1.0, -0.4, 0.2, np.zeros(ORDER - 2)]
    solve_trace(s)
    for j in range(ago):
        s["fresh"][(90 - ago + 1 + j) & MASK] = -size * s["falls"][shape, j]
    return s


def test_the_traces_of_a_fall_are_the_filter_s_and_its_running_sum_of_two() -> None:
    """A step within one bin leaves the filter itself, one over two bins the sum of two."""
    s = traced(0, 1)
    a = s["ahead"][:ORDER]
    assert s["falls"][0] == pytest.approx(a)
    assert s["falls"][1] == pytest.approx(a + np.r_[0.0, a[:-1]])
    for shape in range(2):
        for k, width in enumerate(WIDTHS):
            assert s["norm"][shape, k] == pytest.approx(np.linalg.norm(s["falls"][shape, :width]))


@pytest.mark.parametrize("shape", [0, 1])
@pytest.mark.parametrize("width", WIDTHS)
def test_a_fall_is_likest_to_its_own_trace(shape: int, width: int) -> None:
    """Its likeness is its size times the length of the trace; a rise of the same size is as like a reseal."""
    s = traced(shape, width, 4.0)
    compare(s)
    length = np.linalg.norm(s["falls"][shape, :width])
    assert s["now_score"] == pytest.approx(4.0 * length)
    assert likeness(s, shape, width) == pytest.approx(4.0 * length**2)
    rise = traced(shape, width, -4.0)
    compare(rise)
    assert rise["now_rise"] == pytest.approx(4.0 * length)
    assert rise["now_score"] < rise["now_rise"]


@pytest.mark.parametrize("ago", [1, 2, 5, 11, 24])
def test_the_begin_of_a_fall_is_known_to_the_bin(ago: int) -> None:
    """Of all begins the one whose trace fits best; without any likeness it is this bin."""
    assert began_ago(traced(0, ago, 8.0), 1.0) == ago
    assert began_ago(traced(1, max(ago, 2), 8.0), 1.0) == max(ago, 2)
    assert began_ago(stall(trace_n=90), 1.0) == 1
    assert began_ago(traced(0, ago, -8.0), -1.0) == ago  # and of a reseal


def test_the_bar_is_the_threshold_or_the_stall_s_tail() -> None:
    """Twice as high before the first milk, and up to half as high again of a stall that is new."""
    ready = {"milked": MILKED, "taught": GREEN_BINS}
    low = 0.9 * NUM.threshold / NUM.tail_factor
    assert bar(stall(**ready, tail=low), NUM) == pytest.approx(NUM.threshold)
    assert bar(stall(**ready, tail=9.0), NUM) == pytest.approx(NUM.tail_factor * 9.0)
    assert bar(stall(milked=MILKED - 1, taught=GREEN_BINS, tail=low), NUM) == pytest.approx(
        DRY * NUM.threshold
    )
    new = {"milked": MILKED, "tail": low}
    assert bar(stall(**new, taught=0), NUM) == pytest.approx((1.0 + GREEN) * NUM.threshold)
    assert bar(stall(**new, taught=GREEN_BINS // 2), NUM) == pytest.approx(
        (1.0 + GREEN / 2.0) * NUM.threshold
    )
    assert bar(stall(**new, taught=10 * GREEN_BINS), NUM) == pytest.approx(NUM.threshold)
    assert bar(stall(milked=0, taught=0, tail=low), NUM) == pytest.approx(DRY * NUM.threshold)


def test_the_tail_is_what_so_many_bins_exceed() -> None:
    """Of many likenesses it settles where 1.2 % are above it; it is bounded."""
    rng, s = np.random.default_rng(8), stall(tail=3.0)
    scores, tails = np.abs(rng.normal(0.0, 1.5, 20_000)), []
    for score in scores:
        s["now_score"] = score
        learn_tail(s, NUM)
        tails.append(float(s["tail"]))
    over = np.mean(scores[4_000:] > np.array(tails[3_999:-1]))
    assert over == pytest.approx(NUM.tail_share, rel=0.15)
    for _ in range(900):
        s["now_score"] = 1.5 * s["tail"]
        learn_tail(s, NUM)
    assert s["tail"] == MOST_TAIL


def test_what_is_plain_teaches_nothing_about_slugs() -> None:
    """Five times the tail is no slug; and the tail before an event is the last at which it was quiet."""
    for factor, up in ((0.99, False), (1.01, True), (0.99 * PLAIN, True), (1.01 * PLAIN, False)):
        s = stall(tail=3.0, tail_before=7.0, now_score=3.0 * factor)
        learn_tail(s, NUM)
        assert bool(s["tail"] > 3.0) is up
        assert s["tail"] == pytest.approx(3.0 * (1.0 + NUM.tail_gain * (up - NUM.tail_share)))
        assert s["tail_before"] == (3.0 if factor < 1.0 else 7.0)


def learning(news: float, step: float = 0.3, **fields: Any) -> Any:
    """Return a stall after it learned from one quiet bin."""
    known = {"told": 1, "calm_run": ORDER, "trace_n": 60, "spread": 0.2, "power": 0.09, "news": news}
    s = stall(**(known | fields))
    s["step"] = 0.1
    s["step"][59 & MASK] = step
    learn_trace(s)
    return s


def test_the_spread_follows_the_innovations_with_a_memory_of_15_s() -> None:
    """By their mean size times 1.25, one counting four spreads at most; no sensor is finer than 0.03 kPa."""
    for news, counts in ((0.8, 1.0), (-2.0, 2.5), (99.0, WILD)):
        assert learning(news)["spread"] == pytest.approx(0.2 * (1.0 + BIN_S / SPREAD_S * (counts - 1.0)))
    assert learning(0.0, spread=LEAST_SPREAD_KPA)["spread"] == LEAST_SPREAD_KPA


def test_a_calm_bin_teaches_power_and_lag_products() -> None:
    """Each product of steps over the power, with a memory that grows to eight minutes."""
    s = learning(0.8)
    power = 0.09
    assert s["power"] == pytest.approx(power)
    gain = 1.0 / SOON_BINS
    assert s["lags"][0] == pytest.approx(1.0 + gain * (0.09 / power - 1.0))
    assert s["lags"][1] == pytest.approx(0.3 + gain * (0.03 / power - 0.3))
    assert s["lags"][ORDER] == pytest.approx(gain * 0.03 / power)
    assert s["taught"] == 1
    old = learning(0.8, taught=LEARN_BINS)
    assert old["lags"][1] == pytest.approx(0.3 + (0.03 / power - 0.3) / LEARN_BINS)
    loud = learning(0.8, step=9.0)
    assert loud["power"] == pytest.approx(power * (1.0 + POWER_GAIN * (OUTLIER - 1.0)))
    quiet = learning(0.8, step=0.0)
    assert quiet["power"] == pytest.approx(power * (1.0 - POWER_GAIN))
    assert abs(learning(0.8, power=0.0)["lags"][0]) < 10.0


def test_what_is_not_calm_teaches_nothing() -> None:
    """A bin that was not foreseen, the 24 after it, and a wild one, which ends the calm."""
    assert learning(0.8, told=0)["calm_run"] == 0
    for fields in ({"told": 0}, {"calm_run": ORDER - 1}):
        s = learning(0.8, **fields)
        assert (s["taught"], s["spread"]) == (0, 0.2)
    wild = learning(WILD + 0.1)
    assert (wild["taught"], wild["calm_run"], wild["power"]) == (0, 0, 0.09)
    assert learning(-WILD - 0.1)["taught"] == 0
    assert learning(WILD - 0.1)["taught"] == 1


def test_the_forecast_is_solved_anew_each_two_seconds() -> None:
    """Of what was learned meanwhile."""
    for taught, solved in ((REFIT - 2, False), (REFIT - 1, True)):
        s = learning(0.8, taught=taught, lags=np.r_[1.0, 0.0, 0.5, np.zeros(ORDER - 2)])
        assert bool(abs(s["ahead"][2]) > 0.1) is solved
