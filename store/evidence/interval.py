"""What every estimate is made of: a value with its limits, and the shorthand for arrays."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
from scipy import special

Array = npt.NDArray[Any]
"""An array of numbers or flags; counts are numbers too."""
LEVEL: Final = 0.95
"""Probability that our limits cover the truth."""
Z: Final = float(special.ndtri(0.5 + LEVEL / 2.0))
"""Normal quantile of the limits."""


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value with its 95 % limits and, where there is a test, its two-sided p value."""

    value: float
    low: float
    high: float
    p: float | None = None

    @property
    def excludes_one(self) -> bool:
        """Return whether a ratio of 1 lies outside the limits."""
        return self.low > 1.0 or self.high < 1.0


def floats(values: Any) -> Array:
    """Return values as an array of numbers."""
    return np.asarray(values, dtype=np.float64)


def log_normal(value: float, log_se: float, *, quantile: float = Z) -> Estimate:
    """Return a ratio with limits that are symmetrical in its logarithm.

    Parameters
    ----------
    value:
        The ratio, > 0.
    log_se:
        Standard error of its logarithm.
    quantile:
        Quantile of the standard normal, or of Student's t for few clusters.
    """
    width = quantile * log_se
    p = 2.0 * float(special.ndtr(-abs(math.log(value)) / log_se)) if log_se > 0.0 else None
    return Estimate(value, value * math.exp(-width), value * math.exp(width), p)
