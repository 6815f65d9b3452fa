"""When a rate changed: the exact posterior of a single change, and several by splitting."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy import special

from store.evidence.interval import Array, Estimate, floats
from store.evidence.rates import rate_ratio


@dataclass(frozen=True, slots=True)
class Change:
    """A single change of a rate.

    ``at`` is the first index with the new rate, ``low`` and ``high`` hold it with 95 %;
    ``log_bayes_factor`` weighs a change against none; ``before`` and ``after`` are the likeliest
    rates; ``posterior[k]`` is the probability that the new rate begins at index k.
    """

    at: int
    low: int
    high: int
    log_bayes_factor: float
    before: float
    after: float
    posterior: Array


def log_odds(counts: Any, exposure: Any, *, shape: float = 1.0, rate: float = 1.0) -> Array:
    r"""Return, for each index k, how much likelier a change to a new rate at k is than no change (log).

    Rates have gamma priors and are integrated out:
    :math:`p(k) \propto \Gamma(a+S_k)(b+X_k)^{-(a+S_k)} \Gamma(a+S-S_k)(b+X-X_k)^{-(a+S-S_k)}`.

    Parameters
    ----------
    counts, exposure:
        Counts and exposures in order of time, shape (times,).
    shape, rate:
        The gamma prior of both rates.

    Returns
    -------
    Array
        Shape (times,); index 0, where nothing would have changed, is minus infinity.
    """
    y, x = floats(counts), floats(exposure)
    s, t = np.cumsum(y)[:-1], np.cumsum(x)[:-1]
    total, time = float(y.sum()), float(x.sum())
    prior = float(special.xlogy(shape, rate) - special.gammaln(shape))
    split = 2 * prior + _evidence(s + shape, t + rate) + _evidence(total - s + shape, time - t + rate)
    single = prior + _evidence(floats([total + shape]), floats([time + rate]))[0]
    return np.concatenate([[-np.inf], split - single])


def single_change(counts: Any, exposure: Any, *, shape: float = 1.0, rate: float = 1.0) -> Change | None:
    """Return the likeliest single change of a rate, None for fewer than two times or no events.

    Parameters
    ----------
    counts, exposure:
        Counts and exposures in order of time, shape (times,).
    shape, rate:
        The gamma prior of both rates; give exposures as expected counts so that 1 and 1 suit.
    """
    y, x = floats(counts), floats(exposure)
    if y.size < 2 or y.sum() <= 0.0:
        return None
    return located(y, x, log_odds(y, x, shape=shape, rate=rate))


def located(counts: Array, exposure: Array, odds: Array) -> Change:
    """Return the change that log odds over its place describe.

    Parameters
    ----------
    counts, exposure:
        The series the rates are read from.
    odds:
        From :func:`log_odds`, or a sum of several series' log odds.
    """
    posterior = np.exp(odds - odds.max())
    posterior /= posterior.sum()
    at, cumulated = int(posterior.argmax()), np.cumsum(posterior)
    top = float(odds.max())
    factor = top + float(np.log(np.exp(odds - top).sum() / (odds.size - 1)))
    return Change(
        at=at,
        low=int(np.searchsorted(cumulated, 0.025)),
        high=int(np.searchsorted(cumulated, 0.975)),
        log_bayes_factor=factor,
        before=_rate(counts[:at], exposure[:at]),
        after=_rate(counts[at:], exposure[at:]),
        posterior=posterior,
    )


def ratio_at(counts: Array, exposure: Array, at: int) -> Estimate | None:
    """Return the exact ratio of the rates after and before an index."""
    return rate_ratio(
        round(float(counts[at:].sum())),
        float(exposure[at:].sum()),
        round(float(counts[:at].sum())),
        float(exposure[:at].sum()),
    )


def _evidence(shape: Array, rate: Array) -> Array:
    """Return the log of the integral over one rate, constants of the data left out."""
    return floats(special.gammaln(shape) - shape * np.log(rate))


def _rate(counts: Array, exposure: Array) -> float:
    """Return a rate, 0 where there was no exposure."""
    total = float(exposure.sum())
    return float(counts.sum()) / total if total > 0.0 else 0.0
