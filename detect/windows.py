"""Short windows of air against the 1.5 s before them, in scales of the stall's own noise."""

from __future__ import annotations

from typing import Any

from detect.machine import compiled
from detect.params import BIN_S, KernelNumbers
from detect.state import RING, WINDOWS

MASK = RING - 1
BEFORE = 30  # the reference of a window is the 1.5 s before it
FORMS = 2
FULL = WINDOWS[-1] + BEFORE + 1  # bins of air before anything can be judged


@compiled
def push_air(s: Any, air_l_min: tuple[float, float]) -> None:
    """Add one bin of air to the running sums of both forms."""
    i = s.air_seen
    for form in range(FORMS):
        last = s.air_sum[form, (i - 1) & MASK] if i > 0 else 0.0
        s.air_sum[form, i & MASK] = last + air_l_min[form] * BIN_S / 60.0
    s.air_seen = i + 1


@compiled
def put_air(s: Any, form: int, air_l_min: float) -> None:
    """Put another value in the place of the newest bin."""
    n = s.air_seen - 1
    s.air_sum[form, n & MASK] = s.air_sum[form, (n - 1) & MASK] + air_l_min * BIN_S / 60.0


@compiled
def air_at(s: Any, form: int, back: int) -> float:
    """Return the air [L/min] ``back`` bins ago (0 is the newest)."""
    n = s.air_seen - 1 - back
    return float(s.air_sum[form, n & MASK] - s.air_sum[form, (n - 1) & MASK]) * 60.0 / BIN_S


@compiled
def reference_l_min(s: Any, form: int, width: int) -> float:
    """Return the mean air [L/min] of the 1.5 s before a window."""
    n = s.air_seen - 1 - width
    total = s.air_sum[form, n & MASK] - s.air_sum[form, (n - BEFORE) & MASK]
    return float(total) * 60.0 / (BEFORE * BIN_S)


@compiled
def judge(s: Any, caution: float, num: KernelNumbers) -> tuple[float, int, int]:
    """Return the highest contrast in thresholds with its form and window, and learn the noise scales."""
    best, best_form, best_width = 0.0, 0, WINDOWS[0]
    n = s.air_seen - 1
    for form in range(FORMS):
        now = s.air_sum[form, n & MASK]
        for k in range(len(WINDOWS)):
            w = WINDOWS[k]
            air = now - s.air_sum[form, (n - w) & MASK] - w * BIN_S / 60.0 * reference_l_min(s, form, w)
            scale = s.scale[form, k]
            score = air / (max(num.floor_l[k], num.threshold * scale) * caution)
            if score > best:
                best, best_form, best_width = score, form, w
            if caution <= 1.0:
                s.scale[form, k] += num.scale_gain * (min(1.25 * abs(air), 4.0 * scale) - scale)
    return best, best_form, best_width
