"""Is the unit carried? Detach arm and cord of one stall, one reading at a time."""

from __future__ import annotations

from typing import Any

from detect.machine import compiled
from detect.params import KernelNumbers
from detect.state import RING

MASK = RING - 1
FAST_MM, FAST_DEG = 80.0, 10.0  # motion within 0.6 s that only a moving arm makes
REMOVAL = 160  # bins (8 s) after the vacuum went within which a motion is the removal
CALM = 60  # bins (3 s) after which a motion counts as a new one


@compiled
def watch_arm(
    s: Any, b: int, stall: int, angle_deg: float, cord_mm: float, out: Any, count: int, num: KernelNumbers
) -> int:  # fmt: skip
    """Take one reading of arm and cord; return the new count of happenings."""
    i = s.trail_n
    if i >= 3 and (
        abs(cord_mm - s.trail_cord[(i - 3) & 7]) > FAST_MM
        or abs(angle_deg - s.trail_angle[(i - 3) & 7]) > FAST_DEG
    ):
        if b - s.arm_bin > CALM:
            s.moved_bin = b
            if s.attached == 1 or b - s.off_bin < REMOVAL:
                s.removal_kpa = s.raw[b & MASK]
        s.arm_bin = b
    s.trail_cord[i & 7], s.trail_angle[i & 7] = cord_mm, angle_deg
    s.trail_n = i + 1
    s.cord, s.angle = cord_mm, angle_deg
    return count
