"""How far a stall's count may lie from its expectation before it is more than chance.

Stalls differ by more than counting noise even where nothing is wrong. Limits that know counting
noise only would accuse a third of them, so the spread between stalls is estimated and added.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from scipy import special

from store.evidence.interval import Array, floats

_WINSORISED: Final = 0.1
"""Share of each tail that is pulled in before the spread is estimated (Spiegelhalter 2005, from memory)."""
_FEWEST: Final = 10
"""Units below which no spread between them is estimated (engineering choice)."""


@dataclass(frozen=True, slots=True)
class Funnel:
    """Counts against expectations with the spread between units.

    ``phi`` is the mean square of the scores, ``phi_winsorised`` the same with the tails pulled in,
    ``tau2`` the variance between units of the square root of the ratio, ``z`` the scores that
    allow for it.
    """

    phi: float
    phi_winsorised: float
    tau2: float
    z: Array


def funnel(observed: Any, expected: Any, *, within: float = 1.0) -> Funnel:
    r"""Return scores of counts that allow for the spread between units (additive random effects).

    :math:`z_i = 2(\sqrt{O_i} - \sqrt{E_i})`; with w = 4E,
    :math:`\tau^2 = (I\phi - (I - 1)) / (\sum w - \sum w^2 / \sum w)`, at least 0; the final score
    is the distance of the square roots over :math:`\sqrt{1/w + \tau^2}`.

    Parameters
    ----------
    observed, expected:
        Counts and their expectations, > 0, shape (units,).
    within:
        Dispersion of one unit's own counts over time; 1 is Poisson.

    References
    ----------
    .. [1] D. J. Spiegelhalter, Stat Med 24, 2005, 1185-1202 (abstract seen, formulas from memory).
    """
    o, e = floats(observed), floats(expected)
    z = 2.0 * (np.sqrt(o) - np.sqrt(e)) / np.sqrt(within)
    low, high = np.quantile(z, [_WINSORISED, 1.0 - _WINSORISED])
    phi, winsorised = float((z**2).mean()), float((np.clip(z, low, high) ** 2).mean())
    weight = 4.0 * e / within
    tau2 = 0.0
    if o.size >= _FEWEST:
        surplus = o.size * winsorised - (o.size - 1)
        tau2 = max(0.0, surplus / float(weight.sum() - (weight**2).sum() / weight.sum()))
    distance = np.sqrt(o / e) - 1.0
    return Funnel(phi, winsorised, tau2, distance / np.sqrt(1.0 / weight + tau2))


def limits(expected: Any, tau2: float, *, quantile: float, within: float = 1.0) -> tuple[Array, Array]:
    """Return the lower and upper limit of the ratio observed to expected.

    Parameters
    ----------
    expected:
        Expectations, > 0.
    tau2:
        Variance between units from :func:`funnel`.
    quantile:
        1.96 for 95 %, 3.09 for 99.8 %.
    within:
        Dispersion of one unit's own counts.
    """
    width = quantile * np.sqrt(within / (4.0 * floats(expected)) + tau2)
    return np.maximum(0.0, 1.0 - width) ** 2, (1.0 + width) ** 2


def high_p(z: Array, units: int) -> Array:
    """Return the probability of such a high score by chance, by Student's t of the units less one."""
    return floats(special.stdtr(max(units - 1, 1), -z))
