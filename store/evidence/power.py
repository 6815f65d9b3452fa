"""What data of this size could have shown at all."""

from __future__ import annotations

import math
from typing import Final

_SUM_OF_QUANTILES: Final = 1.959964 + 0.841621
"""Normal quantiles of 5 % two-sided and of 80 % power."""


def detectable_ratio(exposed: float, unexposed: float, risk: float, *, design: float = 1.0) -> float | None:
    """Return the smallest ratio of risks above 1 that would be found four times in five.

    Parameters
    ----------
    exposed, unexposed:
        Cow-intervals on either side.
    risk:
        Risk of the unexposed, 0 < risk < 1.
    design:
        How much more the counts vary than independent ones.

    Returns
    -------
    float or None
        None when no ratio could be found.
    """
    if min(exposed, unexposed) < 1.0 or not 0.0 < risk < 1.0:
        return None
    low, high = 1.0, 1.0 / risk
    if not _shows(high, exposed, unexposed, risk, design=design):
        return None
    for _ in range(60):
        middle = (low + high) / 2.0
        low, high = (
            (low, middle) if _shows(middle, exposed, unexposed, risk, design=design) else (middle, high)
        )
    return high


def _shows(ratio: float, exposed: float, unexposed: float, risk: float, *, design: float) -> bool:
    """Return whether a ratio would stand out of its standard error with 80 % power (Wald)."""
    spread = (1.0 - risk * ratio) / (exposed * risk * ratio) + (1.0 - risk) / (unexposed * risk)
    return math.log(ratio) >= _SUM_OF_QUANTILES * math.sqrt(design * max(spread, 0.0))
