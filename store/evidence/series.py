"""Interrupted time series: the step of a rate at a known day, beside a trend and the seasons."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from store.evidence.interval import Estimate, Z, floats, log_normal

FEWEST_POINTS: Final = 8
"""Points on either side of the step below which no step is told."""


@dataclass(frozen=True, slots=True)
class Step:
    """The step as a ratio of rates, the dispersion of the counts, and the limits by another way.

    ``serial`` allows for errors that last from one point to the next (Newey and West), or is None.
    """

    ratio: Estimate
    dispersion: float
    serial: Estimate | None

    @property
    def wider(self) -> Estimate:
        """Return whichever of the two has the wider limits."""
        if self.serial is None:
            return self.ratio
        return max((self.ratio, self.serial), key=lambda each: each.high / max(each.low, 1e-300))


def interrupted(
    counts: Any, exposure: Any, *, step_at: int, period: float | None = None, lags: int = 0
) -> Step | None:
    """Fit level, trend, step and two harmonics to a series of counts (quasi-Poisson, log link).

    Parameters
    ----------
    counts, exposure:
        In order of time, shape (times,); exposures > 0.
    step_at:
        First index after the step.
    period:
        Points a season, for two harmonics; None for none.
    lags:
        Points over which errors may last, for the second limits; 0 for none.

    Returns
    -------
    Step or None
        None with fewer than eight points on either side.

    References
    ----------
    .. [1] J. Lopez Bernal, S. Cummins, A. Gasparrini, Int J Epidemiol 46, 2017, 348-355 (data and code seen).
    """
    y, x = floats(counts), floats(exposure)
    if min(step_at, y.size - step_at) < FEWEST_POINTS:
        return None
    # The library takes seconds to load and only comparisons need it.
    from statsmodels.genmod import families  # noqa: PLC0415
    from statsmodels.genmod.generalized_linear_model import GLM  # noqa: PLC0415

    model = GLM(y, _design(y.size, step_at, period), family=families.Poisson(), offset=np.log(x))
    fit = model.fit(scale="X2")
    serial = None
    if lags:
        hac = model.fit(cov_type="HAC", cov_kwds={"maxlags": lags, "use_correction": False})
        serial = log_normal(math.exp(hac.params[1]), float(hac.bse[1]))
    ratio = log_normal(math.exp(fit.params[1]), float(fit.bse[1]), quantile=Z)
    return Step(ratio, float(fit.scale), serial)


def _design(size: int, step_at: int, period: float | None) -> Any:
    """Return the columns level, step, trend and harmonics, shape (times, columns)."""
    t = np.arange(size, dtype=np.float64)
    columns = [np.ones(size), (t >= step_at).astype(np.float64), t / size]
    if period is not None:
        for harmonic in (1, 2):
            angle = 2.0 * math.pi * harmonic * t / period
            columns += [np.sin(angle), np.cos(angle)]
    return np.column_stack(columns)
