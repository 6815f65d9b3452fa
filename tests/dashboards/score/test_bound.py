"""The matched-filter bound is the textbook's, and the bar rings as often as it says."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from scipy import linalg, signal, stats

from dashboards.score.bound import (
    SURROUNDINGS_S,
    Boxcar,
    autocovariance,
    bar,
    matched_filter,
    outputs,
    recall,
    rings,
    rise_probability,
)
from detect.errors import InputError

BIN_S = 0.05
LAGS = 128


def white(variance: float) -> np.ndarray:
    return np.concatenate([[variance], np.zeros(LAGS - 1)])


@pytest.mark.source("closed form: d'^2 = A^2 D / S for a boxcar in white noise of two-sided density S")
@pytest.mark.parametrize("duration_s", [0.25, 0.5, 2.0])
def test_white_noise_has_the_closed_form(duration_s: float) -> None:
    """Samples of variance v every dt have the density v dt; the index follows from energy alone."""
    slip = Boxcar(duration_s, 12.0)
    density = 9.0 * BIN_S
    index = matched_filter(white(9.0), slip, BIN_S).d_prime
    assert index**2 == pytest.approx(12.0**2 * duration_s / density, rel=1e-9)


@pytest.mark.source("scipy.linalg.solve_toeplitz: s^T R^-1 s in first-order autoregressive noise")
def test_coloured_noise_agrees_with_a_toeplitz_solver_and_the_whitened_slip() -> None:
    """Autoregressive noise: an independent solver, and energy of the slip after whitening by hand."""
    phi, variance = 0.8, 4.0
    covariance = variance * phi ** np.arange(LAGS)
    slip = Boxcar(0.5, 10.0)
    wave = slip.samples(BIN_S)
    index = matched_filter(covariance, slip, BIN_S).d_prime
    solver = wave @ linalg.solve_toeplitz(covariance[: wave.size], wave)
    whitened = (wave[1:] - phi * wave[:-1]) / math.sqrt(variance * (1 - phi**2))
    assert index**2 == pytest.approx(solver, rel=1e-9)
    assert index**2 == pytest.approx(whitened @ whitened, rel=1e-9)


@pytest.mark.source("closed form: d'^2 is the integral of |signal spectrum|^2 over the noise density")
def test_with_wide_surroundings_the_index_is_the_spectral_one() -> None:
    """In first-order autoregressive noise the time-domain index equals the integral over frequency."""
    phi, slip = 0.6, Boxcar(0.5, 10.0)
    frequency = np.linspace(-0.5, 0.5, 20_001)[:-1]
    bins = np.arange(10)
    spectrum = np.abs(np.exp(-2j * np.pi * np.outer(frequency, bins)) @ np.full(10, 10.0)) ** 2
    density = (1 - phi**2) / np.abs(1 - phi * np.exp(-2j * np.pi * frequency)) ** 2
    expected = np.mean(spectrum / density)
    assert matched_filter(phi ** np.arange(LAGS), slip, BIN_S).d_prime ** 2 == pytest.approx(
        expected, rel=1e-6
    )


@pytest.mark.source("scipy.stats.multivariate_normal: P(x < u, y >= u) of two correlated normal variables")
@pytest.mark.parametrize("neighbour", [-0.5, 0.0, 0.5, 0.9, 0.99])
@pytest.mark.parametrize("height", [0.0, 1.0, 2.5])
def test_the_chance_of_a_rise_is_the_bivariate_normal_one(neighbour: float, height: float) -> None:
    """One integral against the library's distribution function of two normal variables."""
    both_below = stats.multivariate_normal([0, 0], [[1, neighbour], [neighbour, 1]]).cdf([height, height])
    expected = stats.norm.cdf(height) - both_below
    assert rise_probability(height, neighbour) == pytest.approx(expected, abs=2e-6)


@pytest.mark.source(
    "Rice's formula: a smooth Gaussian process rises through u sqrt(-r'')/2pi exp(-u^2/2) times"
)
@pytest.mark.parametrize("height", [1.0, 3.0, 4.5])
def test_fine_sampling_approaches_the_smooth_process(height: float) -> None:
    """With r = exp(-t^2 / 2) and fine steps the rises per unit of time are Rice's."""
    step = 0.01
    per_time = rise_probability(height, math.exp(-step * step / 2)) / step
    assert per_time == pytest.approx(math.exp(-height * height / 2) / (2 * math.pi), rel=0.01)


def test_the_bar_gives_back_its_rate() -> None:
    """Bar and chance of a rise are inverse to each other, down to one ring in a month."""
    for rate in (1e-2, 1e-4, 2e-8):
        assert rise_probability(bar(rate, 0.9), 0.9) == pytest.approx(rate, rel=1e-6)
    bars = [bar(rate, 0.9) for rate in (1e-2, 1e-4, 2e-8)]
    assert all(low < high for low, high in pairwise(bars))


def test_made_noise_rings_and_hears_as_the_bound_says() -> None:
    """On half a million bins of autoregressive noise the filter's alarms and finds are those predicted."""
    phi, slip = 0.7, Boxcar(0.5, 1.5)
    noise = signal.lfilter(
        [math.sqrt(1 - phi**2)], [1, -phi], np.random.default_rng(5).standard_normal(500_000)
    )
    matched = matched_filter(phi ** np.arange(LAGS), slip, BIN_S)
    made = outputs(matched, [noise])
    height = bar(1e-3, matched.neighbour)
    assert rings(made, height) == pytest.approx(500, abs=4 * math.sqrt(500))
    lifted = made[1 :: matched.weights.size] + matched.weights @ slip.samples(BIN_S)
    expected = recall(matched.d_prime, height)
    spread = math.sqrt(expected * (1 - expected) / lifted.size)
    assert 0.05 < expected < 0.95
    assert float(np.mean(lifted >= height)) == pytest.approx(expected, abs=4 * spread)


def test_nothing_rises_from_one_piece_into_the_next() -> None:
    """A piece that ends below the bar and one that begins above it make no alarm."""
    matched = matched_filter(white(1.0), Boxcar(0.05, 1.0), BIN_S)
    pieces = [np.concatenate([np.zeros(60), np.ones(61)]), np.concatenate([np.ones(61), np.zeros(60)])]
    made = outputs(matched, pieces)
    assert np.isnan(made).sum() == 3
    assert rings(made, 0.0) == 1


@pytest.mark.source("scipy.signal.correlate: lagged products of pieces, pooled")
def test_the_autocovariance_is_pooled_over_pieces() -> None:
    """Products are summed within pieces only and divided by all samples; short pieces are left out."""
    rng = np.random.default_rng(1)
    pieces = [rng.standard_normal(n) + 5.0 for n in (400, 257, 8)]
    expected = np.zeros(16)
    for piece in pieces[:2]:
        rest = piece - piece.mean()
        expected += signal.correlate(rest, rest)[rest.size - 1 : rest.size + 15]
    assert autocovariance(pieces, 16) == pytest.approx(expected / 657, abs=1e-10)


def test_a_boxcar_holds_its_air() -> None:
    """Whole and partly filled bins sum to the slip's litres, between its surroundings."""
    for duration_s in (0.05, 0.12, 0.5):
        slip = Boxcar(duration_s, 30.0)
        wave = slip.samples(BIN_S)
        assert wave.sum() * BIN_S / 60.0 == pytest.approx(slip.litres)
        assert wave.size == 2 * round(SURROUNDINGS_S / BIN_S) + math.ceil(round(duration_s / BIN_S, 6))


def test_too_little_noise_is_refused() -> None:
    """A record of short pieces, a constant one and a short covariance end in one line each."""
    with pytest.raises(InputError, match="no quiet stretch is longer than 16 bins"):
        autocovariance([np.zeros(10)], 16)
    with pytest.raises(InputError, match="the noise is constant"):
        autocovariance([np.ones(100)], 16)
    with pytest.raises(InputError, match="8 lags are too few"):
        matched_filter(np.ones(8), Boxcar(0.5, 1.0), BIN_S)
