"""Limits of a rate of events and of a share: small, honest, and free of a statistics library."""

from __future__ import annotations

import math
from collections.abc import Callable
from statistics import NormalDist
from typing import Final

_LEVEL: Final = 0.95


def poisson_limits(count: int, *, level: float = _LEVEL) -> tuple[float, float]:
    r"""Return the exact central limits of a Poisson mean after one count.

    The limits solve :math:`P(X \ge n; \mu_{lo}) = \alpha/2` and :math:`P(X \le n; \mu_{hi}) = \alpha/2`.

    Parameters
    ----------
    count:
        Events seen, >= 0.
    level:
        Probability that the limits cover the mean, 0 < level < 1.

    Returns
    -------
    tuple of float
        Lower and upper limit in events; divide by the exposure for a rate.

    Notes
    -----
    The limits cover counting noise only. Slips cluster in cows, so the true spread between stalls is wider.

    References
    ----------
    .. [1] F. Garwood, "Fiducial limits for the Poisson distribution", Biometrika 28, 1936 (from memory).
    """
    if count < 0:
        raise ValueError(f"a count cannot be {count}")
    tail = (1.0 - level) / 2.0
    top = count + 10.0 * math.sqrt(count + 1.0) + 10.0
    low = 0.0 if count == 0 else _root(lambda mean: _below(count - 1, mean) - (1.0 - tail), top)
    return low, _root(lambda mean: _below(count, mean) - tail, top)


def per_hundred(count: int, milkings: int) -> tuple[float, float, float] | None:
    """Return the rate in 100 milkings with its exact 95 % limits, or None without milkings."""
    if milkings == 0:
        return None
    low, high = poisson_limits(count)
    scale = 100.0 / milkings
    return count * scale, low * scale, high * scale


def share_limits(part: int, whole: int, *, level: float = _LEVEL) -> tuple[float, float] | None:
    r"""Return the score limits of a share, or None of nothing.

    The limits solve :math:`|p - \hat p| = z \sqrt{p (1 - p) / n}` for the true share :math:`p`, so they stay
    within 0 and 1 and are not empty at either end.

    Parameters
    ----------
    part, whole:
        Successes and trials, 0 <= part <= whole.
    level:
        Probability that the limits cover the share, 0 < level < 1.

    Notes
    -----
    Trials are taken to be independent. Slips cluster in cows and stalls, so the truth is less certain still.

    References
    ----------
    .. [1] E. B. Wilson, "Probable inference, the law of succession, and statistical inference", Journal of
       the American Statistical Association 22, 1927 (from memory).
    """
    if not 0 <= part <= whole:
        raise ValueError(f"{part} of {whole} is no share")
    if whole == 0:
        return None
    z = NormalDist().inv_cdf(0.5 + level / 2.0)
    share, weight = part / whole, z * z / whole
    middle = (share + weight / 2.0) / (1.0 + weight)
    half = z / (1.0 + weight) * math.sqrt(share * (1.0 - share) / whole + weight / (4.0 * whole))
    return max(0.0, middle - half), min(1.0, middle + half)


def _below(count: int, mean: float) -> float:
    """Return P(X <= count) of a Poisson variable, summed in logarithms so that it cannot overflow."""
    if mean <= 0.0:
        return 1.0
    log_mean = math.log(mean)
    return math.fsum(math.exp(k * log_mean - mean - math.lgamma(k + 1)) for k in range(count + 1))


def _root(falling: Callable[[float], float], top: float) -> float:
    """Return the zero of a falling function on [0, top] by bisection."""
    low, high = 0.0, top
    for _ in range(80):
        middle = (low + high) / 2.0
        if falling(middle) > 0.0:
            low = middle
        else:
            high = middle
    return (low + high) / 2.0
