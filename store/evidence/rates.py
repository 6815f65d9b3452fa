"""Rates of events: exact limits of one, exact and mid-p limits of the ratio of two."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Final

from scipy import optimize, special

from store.evidence.interval import LEVEL, Estimate

_TAIL: Final = (1.0 - LEVEL) / 2.0
_TIE: Final = 1.0 + 1e-7
"""Outcomes as likely as the one seen within rounding count as such, as statistics packages do."""


def rate(events: int, exposure: float) -> Estimate:
    """Return a rate with exact Poisson limits, by quantiles of the gamma distribution.

    Parameters
    ----------
    events:
        Events seen, >= 0.
    exposure:
        Milkings (or time) in which they were looked for, > 0.
    """
    low = 0.0 if events == 0 else float(special.gammaincinv(events, _TAIL))
    high = float(special.gammaincinv(events + 1, 1.0 - _TAIL))
    return Estimate(events / exposure, low / exposure, high / exposure)


def rate_ratio(events: int, exposure: float, other_events: int, other_exposure: float) -> Estimate | None:
    r"""Return the ratio of two rates with exact limits and test, None when nothing was seen at all.

    Given :math:`n = a + b` the first count is binomial with
    :math:`p = T_1 R / (T_1 R + T_0)`; Clopper-Pearson limits of p become limits of R.

    Parameters
    ----------
    events, exposure:
        Count and exposure of the first rate.
    other_events, other_exposure:
        Count and exposure of the rate it is compared with.

    Notes
    -----
    No count leaves one limit open: 0 events give a lower limit of 0, 0 other events no upper limit.
    Slips come in bursts, so the true uncertainty is larger: see :func:`store.evidence.dispersion.widened`.
    """
    if events + other_events == 0 or exposure <= 0.0 or other_exposure <= 0.0:
        return None
    scale = other_exposure / exposure
    low = 0.0 if events == 0 else float(special.betaincinv(events, other_events + 1, _TAIL))
    high = 1.0 if other_events == 0 else float(special.betaincinv(events + 1, other_events, 1.0 - _TAIL))
    return Estimate(
        _ratio(events / (events + other_events), scale),
        _ratio(low, scale),
        _ratio(high, scale),
        _exact_p(events, events + other_events, exposure / (exposure + other_exposure)),
    )


def rate_ratio_mid_p(
    events: int, exposure: float, other_events: int, other_exposure: float
) -> Estimate | None:
    """Return the ratio of two rates with mid-p limits: half the seen outcome counts into each tail.

    The exact limits of :func:`rate_ratio` cover more than they promise; these come closer to it.
    """
    total, share = events + other_events, exposure / (exposure + other_exposure)
    if total == 0:
        return None
    scale = other_exposure / exposure
    low = 0.0 if events == 0 else _solve(lambda p: _upper_mid(events, total, p) - _TAIL)
    high = 1.0 if other_events == 0 else _solve(lambda p: 1.0 - _upper_mid(events, total, p) - _TAIL)
    p = _exact_p(events, total, share) - math.exp(_log_mass(events, total, share)) / 2.0
    return Estimate(_ratio(events / total, scale), _ratio(low, scale), _ratio(high, scale), p)


def _ratio(share: float, scale: float) -> float:
    """Turn a share of the events into a ratio of rates."""
    return math.inf if share >= 1.0 else share / (1.0 - share) * scale


def _exact_p(events: int, total: int, share: float) -> float:
    """Return the probability of outcomes not likelier than the one seen (two-sided binomial test)."""
    seen = _log_mass(events, total, share)
    mean = total * share
    if events == mean:
        return 1.0
    if events < mean:
        first = _first(lambda k: _log_mass(k, total, share) <= seen + math.log(_TIE), math.ceil(mean), total)
        return min(1.0, _below(events, total, share) + _above(first - 1, total, share))
    last = _last(lambda k: _log_mass(k, total, share) <= seen + math.log(_TIE), math.floor(mean))
    return min(1.0, _below(last, total, share) + _above(events - 1, total, share))


def _first(holds: Callable[[int], bool], low: int, high: int) -> int:
    """Return the first number in [low, high] from which on a monotone condition holds, or high + 1."""
    while low <= high:
        middle = (low + high) // 2
        low, high = (low, middle - 1) if holds(middle) else (middle + 1, high)
    return low


def _last(holds: Callable[[int], bool], high: int) -> int:
    """Return the last number in [0, high] up to which a monotone condition holds, or -1."""
    low = 0
    while low <= high:
        middle = (low + high) // 2
        low, high = (middle + 1, high) if holds(middle) else (low, middle - 1)
    return high


def _log_mass(count: int, total: int, share: float) -> float:
    """Return the logarithm of a binomial probability."""
    choose = special.gammaln(total + 1) - special.gammaln(count + 1) - special.gammaln(total - count + 1)
    return float(choose + special.xlogy(count, share) + special.xlog1py(total - count, -share))


def _below(count: int, total: int, share: float) -> float:
    """Return P(X <= count) of a binomial variable."""
    if count < 0:
        return 0.0
    return 1.0 if count >= total else float(special.bdtr(count, total, share))


def _above(count: int, total: int, share: float) -> float:
    """Return P(X > count) of a binomial variable, exact where it is tiny."""
    if count < 0:
        return 1.0
    return 0.0 if count >= total else float(special.bdtrc(count, total, share))


def _upper_mid(count: int, total: int, share: float) -> float:
    """Return P(X > count) + P(X = count) / 2."""
    return 1.0 - (_below(count, total, share) + _below(count - 1, total, share)) / 2.0


def _solve(function: Callable[[float], float]) -> float:
    """Return the zero of a monotone function of a probability."""
    return float(optimize.brentq(function, 1e-12, 1.0 - 1e-12, xtol=1e-14))
