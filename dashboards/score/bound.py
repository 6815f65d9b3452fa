r"""How well a slip of known shape can be heard at all in Gaussian noise: the matched-filter bound.

The noise of the air estimate is described by its autocovariance matrix :math:`R`, the slip by its
samples :math:`s`. No linear detector separates the two better than the filter :math:`w = R^{-1} s`, whose
detectability index is :math:`d'^2 = s^T R^{-1} s`; in Gaussian noise no detector at all does. In white noise
of two-sided density :math:`S` a boxcar of :math:`A` L/min and :math:`D` s has :math:`d'^2 = A^2 D / S`.

The bar :math:`u` (in standard deviations of the filter's output) follows from the false alarms that are
allowed: an alarm begins where the output rises through the bar from one bin to the next, which for a
Gaussian output of neighbour correlation :math:`\rho` has the probability
:math:`P(x < u, y \ge u; \rho)`. The recall is then :math:`\Phi(d' - u)`.

Range of validity: the bound knows length, strength, shape and place of the slip, listens for this one shape
only and knows the quiet level; a real detector knows none of it. The air estimate is taken to show the slip
undistorted. Noise with heavy tails rings more often than Gaussian noise of the same covariance: then the
bound is too high, and :func:`rings` says by how much. Each rise through the bar counts, even two within one
excursion, so the bar is a little too high for a detector that merges them (by 0.2 if each rises twice).

References
----------
.. [1] S. M. Kay, "Fundamentals of Statistical Signal Processing: Detection Theory", 1998, chapter 4 (from
   memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist
from typing import Final

import numpy as np
from numpy.typing import NDArray

from detect.errors import InputError

FloatArray = NDArray[np.float64]

SURROUNDINGS_S: Final = 1.5
"""Noise before and after the slip that the filter may look at [s]; as long as the detector's reference."""
NORMAL: Final = NormalDist()
NODES, WEIGHTS = np.polynomial.legendre.leggauss(80)
"""Of Gauss and Legendre's integration over -1 to 1."""


@dataclass(frozen=True, slots=True)
class Boxcar:
    """A slip that lets ``air_l_min`` [L/min] in for ``duration_s`` [s]."""

    duration_s: float
    air_l_min: float

    @property
    def litres(self) -> float:
        """Return its air [L]."""
        return self.air_l_min * self.duration_s / 60.0

    def samples(self, bin_s: float) -> FloatArray:
        """Return its air per bin [L/min] with its surroundings; a bin it fills in part holds that part."""
        quiet = np.zeros(round(SURROUNDINGS_S / bin_s))
        bins = math.ceil(self.duration_s / bin_s - 1e-9)
        filled = np.clip(self.duration_s / bin_s - np.arange(bins), 0.0, 1.0)
        return np.concatenate([quiet, self.air_l_min * filled, quiet])


@dataclass(frozen=True, slots=True)
class Filter:
    """The matched filter of one slip: weights for outputs of variance 1, index d', neighbour correlation."""

    weights: FloatArray
    d_prime: float
    neighbour: float


def autocovariance(stretches: Sequence[FloatArray], lags: int) -> FloatArray:
    """Return the mean lagged products of a noise record, lag 0 first.

    Parameters
    ----------
    stretches:
        Pieces of noise without a gap; the mean of each is taken off.
    lags:
        How many lags; longer than the longest piece is refused.

    Returns
    -------
    ndarray of shape (lags,)
        Biased estimate: the sums of products over the number of all samples, so that its matrix is never
        indefinite.

    Raises
    ------
    InputError
        No piece is longer than ``lags``, or the noise is constant.
    """
    long = [stretch - stretch.mean() for stretch in stretches if stretch.size > lags]
    if not long:
        raise InputError(f"no quiet stretch is longer than {lags} bins", where="the noise record")
    sums = np.zeros(lags)
    for piece in long:
        size = 1 << (piece.size + lags).bit_length()
        power = np.abs(np.fft.rfft(piece, size)) ** 2
        sums += np.fft.irfft(power, size)[:lags]
    if sums[0] <= 0.0:
        raise InputError("the noise is constant", where="the noise record")
    result: FloatArray = sums / sum(piece.size for piece in long)
    return result


def matched_filter(covariance: FloatArray, slip: Boxcar, bin_s: float) -> Filter:
    """Return the best filter for a slip in noise.

    Parameters
    ----------
    covariance:
        Autocovariance of the noise [(L/min)^2], lag 0 first, one lag more than the slip has samples.
    slip:
        What to listen for.
    bin_s:
        Length of a bin [s].
    """
    wave = slip.samples(bin_s)
    if covariance.size <= wave.size:
        raise InputError(f"{covariance.size} lags are too few for {slip.duration_s:g} s", where="covariance")
    lag = np.abs(np.subtract.outer(np.arange(wave.size), np.arange(wave.size)))
    raw = np.linalg.solve(covariance[lag], wave)
    d_squared = float(wave @ raw)
    weights = np.asarray(raw / math.sqrt(d_squared), dtype=np.float64)
    shifted = np.abs(np.subtract.outer(np.arange(wave.size), np.arange(wave.size)) + 1)
    return Filter(weights, math.sqrt(d_squared), float(weights @ covariance[shifted] @ weights))


def recall(d_prime: float, bar: float) -> float:
    """Return the chance that a slip at a known place lifts the output over the bar."""
    return NORMAL.cdf(d_prime - bar)


def bar(rings_per_bin: float, neighbour: float) -> float:
    """Return the bar that Gaussian noise rises through so often.

    Parameters
    ----------
    rings_per_bin:
        Allowed rises per bin, above 0 and below those of a bar at 0.
    neighbour:
        Correlation of one output with the next, above -1 and below 1.
    """
    low, high = 0.0, 12.0
    for _ in range(60):
        middle = (low + high) / 2.0
        low, high = (middle, high) if rise_probability(middle, neighbour) > rings_per_bin else (low, middle)
    return (low + high) / 2.0


def rise_probability(bar: float, neighbour: float) -> float:
    """Return the chance that of two neighbouring outputs the first lies below the bar and the second not."""
    apart = math.sqrt(1.0 - neighbour * neighbour)
    reach = 9.0
    if neighbour > 0.0:  # beyond this the first output would lie below the bar by no chance
        reach = min(reach, apart / neighbour * (8.0 + bar * math.sqrt((1.0 - neighbour) / (1.0 + neighbour))))
    second = bar + reach * (NODES + 1.0) / 2.0
    below = np.array([NORMAL.cdf((bar - neighbour * y) / apart) for y in second])
    density = np.exp(-second * second / 2.0) / math.sqrt(2.0 * math.pi)
    return float(reach / 2.0 * np.sum(WEIGHTS * density * below))


def outputs(matched: Filter, stretches: Sequence[FloatArray]) -> FloatArray:
    """Return what the filter makes of a noise record, in standard deviations of Gaussian noise.

    Between the pieces stands a NaN, so that nothing rises from one into the next.
    """
    size = matched.weights.size
    gap = np.array([np.nan])
    made = [gap]
    for stretch in stretches:
        if stretch.size >= size:
            made += [np.correlate(stretch - stretch.mean(), matched.weights, mode="valid"), gap]
    return np.concatenate(made)


def rings(made: FloatArray, bar: float) -> int:
    """Return how often outputs rise through a bar."""
    return int(np.sum((made[:-1] < bar) & (made[1:] >= bar)))
