"""The strongest beat of a claw, against a library's spectrum."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import periodogram

from detect.beat import WIDTH, beat_at, strongest, swings_kpa, windowed
from detect.params import BIN_S

T = np.arange(WIDTH) * BIN_S


def claw(hz: float, swing: float, *, second: float = 0.0) -> np.ndarray:
    """Return a drifting vacuum that beats."""
    beat = swing * np.cos(2.0 * np.pi * hz * T + 1.0) + second * np.cos(4.0 * np.pi * hz * T)
    return 41.0 + 0.3 * T + beat


def swing_kpa(shaped: np.ndarray, hz: float) -> float:
    """Return the amplitude at one frequency."""
    return float(swings_kpa(shaped, np.array([2.0 * np.cos(2.0 * np.pi * hz * BIN_S)]))[0])


@pytest.mark.parametrize("hz", [1.0, 1.5, 2.0, 3.1])
def test_rate_and_swing_are_found(hz: float) -> None:
    """The rate is right within a step of the search, the swing within 5 %."""
    found_hz, swing = strongest(claw(hz, 1.4))
    assert found_hz == pytest.approx(hz, abs=0.05)
    assert swing == pytest.approx(1.4, rel=0.05)


def test_a_beat_is_measured_with_its_double() -> None:
    """Swing and double add up as powers, also when the rate is 3 % off."""
    assert beat_at(claw(2.0, 1.2, second=0.5), 1.95) == pytest.approx(1.3, rel=0.06)


def test_nothing_beats_where_nothing_is() -> None:
    """A beat of 2 Hz leaves under a fiftieth at 3 Hz."""
    assert swing_kpa(windowed(claw(2.0, 1.4)), 3.0) < 0.03


@pytest.mark.source("scipy.signal.periodogram, window hann")
def test_the_spectrum_is_the_library_s() -> None:
    """At the frequencies of its bins the amplitude is that of a spectrum scaled to it."""
    rng = np.random.default_rng(4)
    kpa = claw(2.0, 1.0) + rng.normal(0.0, 0.3, WIDTH)
    line = np.polyfit(T, kpa, 1)
    hz, power = periodogram(kpa - np.polyval(line, T), 1.0 / BIN_S, "hann", detrend=False, scaling="spectrum")
    for k in range(6, 24):
        own = swing_kpa(windowed(kpa), float(hz[k]))
        assert own == pytest.approx(np.sqrt(2.0 * power[k]), rel=0.1, abs=0.02)


@pytest.mark.source("numpy.polyfit; raised cosine at the middle of each bin")
def test_a_window_takes_off_the_straight_line_of_a_library_s_fit() -> None:
    """What is left is the rest of a least-squares line, faded in and out."""
    kpa = claw(2.0, 1.0) + np.random.default_rng(9).normal(0.0, 0.5, WIDTH)
    rest = kpa - np.polyval(np.polyfit(T, kpa, 1), T)
    fade = 0.5 - 0.5 * np.cos(2.0 * np.pi * (np.arange(WIDTH) + 0.5) / WIDTH)
    assert windowed(kpa) == pytest.approx(rest * fade, abs=1e-9)


def test_a_beat_is_looked_for_four_per_cent_around() -> None:
    """12 % off, what is found is what a search that comes 4 % nearer sees; its double likewise."""
    kpa, hz = claw(2.0, 1.2, second=0.5), 2.0 / 1.12
    shaped = windowed(kpa)
    seen = [max(swing_kpa(shaped, m * hz * (1.0 + off)) for off in (-0.04, 0.0, 0.04)) for m in (1, 2)]
    assert beat_at(kpa, hz) == pytest.approx(np.hypot(*seen))


def test_the_search_ends_within_its_range() -> None:
    """From 0.6 to 4.6 Hz, both included."""
    for hz in (0.6, 4.6):
        assert strongest(claw(hz, 1.0))[0] == pytest.approx(hz, abs=0.051)
    slow, fast = strongest(claw(0.4, 1.0))[0], strongest(claw(5.0, 1.0))[0]
    assert (slow, fast) == (pytest.approx(0.6, abs=0.051), pytest.approx(4.6, abs=0.051))
