"""The pulsation taken out of the vacuum, on beats of known rate, size and phase."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from detect.params import BIN_S
from detect.ripple import (
    FASTEST_HZ,
    FINDS,
    GAIN,
    LONG_LOOK,
    ROAM_HZ,
    SCAN,
    SLEW_HZ,
    SLOWEST_HZ,
    STEP_HZ,
    TRACKING,
    find_ripple,
    learn_ripple,
    project,
    ripple_kpa,
    trend,
    turn_pulse,
)
from tests.detect.by_hand import stall, waves

SIZES = (1.2, 0.5, 0.3, 0.2)


def beat(hz: float, bins: Any) -> Any:
    """Return a beat with four multiples and odd phases at some bins [kPa]."""
    turn = 2.0 * np.pi * hz * BIN_S * np.asarray(bins)
    return sum(size * np.cos((k + 1) * turn + 0.5 * k) for k, size in enumerate(SIZES))


def seen(hz: float, count: int = 128, slope: float = 0.0, **fields: Any) -> Any:
    """Return a stall that has seen a beat on a drifting level in so many bins."""
    s = stall(**fields)
    bins = np.arange(count)
    s["level"][bins % 128] = 40.0 + slope * bins + beat(hz, bins)
    s["seen"] = count
    return s


@pytest.mark.parametrize("width", [40, 100])
def test_mean_and_slope_are_those_of_a_straight_line(width: int) -> None:
    """As a least-squares fit of numpy gives them, on a noisy level whose ring has turned over."""
    rng, s = np.random.default_rng(3), stall(seen=300)
    level = 40.0 + 0.02 * np.arange(300) + rng.normal(0.0, 1.0, 300)
    s["level"][np.arange(172, 300) % 128] = level[172:]
    mean, slope = trend(s, width)
    fit = np.polyfit(np.arange(width), level[-width:], 1)
    assert (mean, slope) == (pytest.approx(level[-width:].mean()), pytest.approx(fit[0]))


def test_a_projection_is_the_fourier_sum_of_the_newest_bins() -> None:
    """Twice the mean of the rest times cosine and sine, with phase 0 at the newest bin."""
    rng, s = np.random.default_rng(4), stall(seen=128)
    s["level"] = 40.0 + rng.normal(0.0, 1.0, 128)
    width, turn = 60, 0.31
    mean, slope = trend(s, width)
    back = np.arange(width)
    rest = s["level"][127 - back] - mean - slope * (0.5 * (width - 1) - back)
    whole = 2.0 / width * np.sum(rest * np.exp(-1j * turn * -back).conj())
    re, im = project(s, width, (mean, slope), turn)
    assert re == pytest.approx(2.0 / width * np.sum(rest * np.cos(turn * back)))
    assert abs(complex(re, im)) == pytest.approx(abs(whole))
    assert im == pytest.approx(-2.0 / width * np.sum(rest * np.sin(turn * back)))


@pytest.mark.parametrize("hz", [0.9, 1.0, 1.08])
def test_a_long_look_finds_the_rate_and_what_is_left_is_next_to_nothing(hz: float) -> None:
    """Within a step of the search; and the next bins are foretold, phase, size and multiples."""
    s = seen(hz, slope=0.01, pulse_phase=1.0)
    find_ripple(s, 100)
    assert s["pulse_hz"] == pytest.approx(hz, abs=STEP_HZ)
    assert (s["pulse_known"], s["pulse_anchor"], s["pulse_n"]) == (1, s["pulse_hz"], 50)
    assert ripple_kpa(s, waves(s)) == pytest.approx(beat(hz, 127), abs=0.25)
    for k in range(128, 134):
        turn_pulse(s)
        assert ripple_kpa(s, waves(s)) == pytest.approx(beat(hz, k), abs=0.35)


def test_the_size_of_each_multiple_is_found() -> None:
    """Five whole beats of exactly 1 Hz give back the sizes that they were made of."""
    s = seen(1.0)
    find_ripple(s, 100)
    sizes = np.hypot(s["ripple_a"], s["ripple_b"])
    assert sizes == pytest.approx(SIZES, abs=0.03)


def test_a_known_rate_is_looked_for_nearby_and_kept_by_a_short_look() -> None:
    """Once known, a long look goes by finer steps; a short one leaves it where long looks found it."""
    s = seen(1.0, pulse_known=3, pulse_anchor=0.97)
    find_ripple(s, 100)
    assert s["pulse_hz"] == pytest.approx(1.0, abs=0.01)
    assert s["pulse_anchor"] == pytest.approx(0.97 + (s["pulse_hz"] - 0.97) / 4.0)
    assert s["pulse_known"] == 4
    short = seen(1.0, pulse_known=3, pulse_anchor=0.97)
    find_ripple(short, LONG_LOOK - 1)
    assert (short["pulse_hz"], short["pulse_anchor"], short["pulse_known"]) == (0.97, 0.97, 3)
    first = seen(1.1)
    find_ripple(first, 40)
    assert abs(first["pulse_hz"] - 1.1) < 0.1
    assert (first["pulse_known"], first["pulse_anchor"]) == (0, 1.0)
    old = seen(1.0, pulse_known=20, pulse_anchor=0.97)
    find_ripple(old, 100)
    assert old["pulse_anchor"] == pytest.approx(0.97 + (old["pulse_hz"] - 0.97) / FINDS)


def test_no_pulsator_is_slower_or_faster_than_they_are() -> None:
    """What beats at 0.74 or at 1.3 Hz is not taken for the pulsation's rate."""
    assert 1.0 - SCAN * STEP_HZ < SLOWEST_HZ < FASTEST_HZ < 1.0 + SCAN * STEP_HZ
    for hz in (0.74, 1.3):
        s = seen(hz)
        find_ripple(s, 100)
        assert SLOWEST_HZ <= s["pulse_hz"] <= FASTEST_HZ


def test_a_slow_sway_is_no_beat_though_it_is_stronger() -> None:
    """Slugs sway at low frequencies without multiples: each of them weighs by its number."""
    bins = np.arange(128)
    turn = 2.0 * np.pi * BIN_S * bins
    sway = 1.1 * np.cos(0.86 * turn + 0.3)
    pulse = sum(size * np.cos((k + 1) * 1.1 * turn) for k, size in enumerate((0.6, 0.5, 0.4, 0.3)))
    for kpa, hz in ((sway, 0.86), (pulse, 1.1), (sway + pulse, 1.1)):
        s = stall(seen=128)
        s["level"] = 40.0 + kpa
        find_ripple(s, 100)
        assert s["pulse_hz"] == pytest.approx(hz, abs=2 * STEP_HZ)


def left_over(hz: float, bins: int, **fields: Any) -> tuple[Any, np.ndarray]:
    """Let a stall learn a beat for a while; return it and what was left over."""
    s, rests = stall(**fields), []
    for k in range(bins):
        turn_pulse(s)
        rest = float(beat(hz, k)) - ripple_kpa(s, waves(s))
        rests.append(rest)
        learn_ripple(s, waves(s), rest)
    return s, np.array(rests)


def test_a_beat_at_its_rate_is_learned_within_seconds() -> None:
    """At the known rate next to nothing is left after 10 s, and the memory ends at 4 s."""
    s, rests = left_over(1.0, 600)
    assert np.abs(rests[:20]).max() > 0.9
    assert np.abs(rests[400:]).max() < 0.05
    assert s["pulse_n"] == 600
    assert s["pulse_hz"] == pytest.approx(1.0, abs=1e-3)
    assert np.hypot(s["ripple_a"], s["ripple_b"]) == pytest.approx(SIZES, abs=0.02)


def test_a_rate_a_little_off_is_followed() -> None:
    """1.5 % off, the rate is found by the turning of the first pairs within a minute."""
    for hz in (0.985, 1.015):
        s, rests = left_over(hz, 1_600)
        assert s["pulse_hz"] == pytest.approx(hz, abs=0.002)
        assert np.abs(rests[-100:]).max() < 0.1


def test_the_rate_stays_near_its_finds_and_moves_slowly() -> None:
    """It roams 0.03 Hz at most, and by half a thousandth a bin."""
    s, _ = left_over(1.06, 4_000)
    assert s["pulse_hz"] <= 1.0 + ROAM_HZ + 1e-12
    s, _ = left_over(0.94, 4_000)
    assert s["pulse_hz"] >= 1.0 - ROAM_HZ - 1e-12
    fast = stall(ripple_a=[2.0, 0.0, 0.0, 0.0], pulse_phase=math.pi / 2.0, pulse_n=0)
    learn_ripple(fast, waves(fast), 500.0)
    assert abs(fast["pulse_hz"] - 1.0) == pytest.approx(SLEW_HZ)


@pytest.mark.parametrize("k", range(4))
def test_a_rate_is_corrected_by_how_the_beat_s_slope_explains_what_is_left(k: int) -> None:
    """Of the beat's k-th multiple alone: the turn that fits best, over the power of its slope."""
    size, phase, rest = 0.5, 0.4, 0.01
    s = stall(pulse_hz=1.0, pulse_anchor=1.0, pulse_phase=phase, pulse_n=10**6)
    s["ripple_a"][k] = size
    learn_ripple(s, waves(s), rest)
    n = k + 1
    slope = -n * size * math.sin(n * phase)  # of the expected ripple by the phase
    turned = GAIN * rest * slope / (0.02 + n**2 * size**2)
    assert s["pulse_hz"] - 1.0 == pytest.approx(TRACKING * turned / (2.0 * math.pi * BIN_S))
    expected = [size if i == k else 0.0 for i in range(4)]
    assert s["ripple_a"] == pytest.approx(
        [a + GAIN * rest * math.cos((i + 1) * phase) for i, a in enumerate(expected)]
    )
    assert s["ripple_b"] == pytest.approx([GAIN * rest * math.sin((i + 1) * phase) for i in range(4)])


def test_the_phase_turns_on_once_a_beat() -> None:
    """At 1 Hz twenty bins are one turn, whatever the data do."""
    s = stall(pulse_phase=0.3, pulse_hz=1.0)
    phases = []
    for _ in range(20):
        turn_pulse(s)
        phases.append(float(s["pulse_phase"]))
    assert phases[4] == pytest.approx(0.3 + math.pi / 2.0)
    assert phases[-1] == pytest.approx(0.3)
    assert max(phases) < 2.0 * math.pi
