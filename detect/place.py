"""Where arm and cord stand, held against where they stand from cow to cow.

Sign, gain and zero of the sensor belong to the stall, the height of the claw to the cow. A stall
remembers the poses of its last milkings and takes their median, so that one in which the unit was dragged
does not become the measure of the others. How far poses scatter from cow to cow is a matter of the herd and
of how arms are built, and is learned from all stalls together: a stall that has seen two cows profits from
what the others have seen. Angle and cord are judged together, since both follow the height.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from detect.arm_state import DRAG, SLACK, VISITS
from detect.machine import compiled, compiled_allocating
from detect.params import KernelNumbers

VISIT_S = 20.0  # seconds of beat after which a milking counts
FEWEST_VISITS = 2  # milkings that must agree before a pose can stand off
MOST_VISITS = 200.0  # milkings of each stall behind the scatter from cow to cow
PRIOR_N, PRIOR_DEG, PRIOR_MM = 3.0, 2.5, 30.0  # scatter from cow to cow to begin with, and its weight
WANDER_DEG, WANDER_MM = 0.8, 7.0  # of a pose within a milking
STEP_DEG, STEP_MM = 1.0, 9.0  # of a pose against the milking's own level of the last half minute
LOOSE = 1.5  # times the share of a lost beat: a weaker one out of place is slack, a stronger one drags
AWAY_DEG, AWAY_MM = 6.0, 45.0  # how far a unit that is not carried stands off


@compiled
def pose_visit(s: Any, dt_s: float) -> None:
    """Follow the mean pose of this milking."""
    s.visit_s += dt_s
    s.visit_angle += dt_s / s.visit_s * (s.angle_mean - s.visit_angle)
    s.visit_cord += dt_s / s.visit_s * (s.cord_mean - s.visit_cord)


@compiled_allocating
def learn_place(s: Any, out_log_odds: float) -> None:
    """Take the pose of a milking that is over into the stall's usual one and the scatter from cow to cow."""
    if s.visit_s < VISIT_S:
        return
    if s.place_n >= FEWEST_VISITS and place_odds(s, s.visit_angle, s.visit_cord) < out_log_odds:
        learn_scatter(s, s.visit_angle - s.place_angle, s.visit_cord - s.place_cord)
    i = s.visits % VISITS
    s.visit_angles[i], s.visit_cords[i] = s.visit_angle, s.visit_cord
    s.visits += 1
    n = min(s.visits, VISITS)
    s.place_angle, s.place_cord = np.median(s.visit_angles[:n]), np.median(s.visit_cords[:n])
    s.place_n = n  # for the odds of each of them
    alike = 0
    for k in range(n):
        alike += 1 if place_odds(s, s.visit_angles[k], s.visit_cords[k]) < out_log_odds else 0
    s.place_n = alike if 2 * alike > n else 0


@compiled
def learn_scatter(s: Any, angle: float, cord: float) -> None:
    """Add one milking's departure from the stall's usual pose."""
    weight = s.place_n / (s.place_n + 1.0)
    for k in range(4):
        s.place_scatter[k] *= 1.0 - 1.0 / MOST_VISITS
    s.place_scatter[0] += weight * angle * angle
    s.place_scatter[1] += weight * fold(s) * angle * cord
    s.place_scatter[2] += weight * cord * cord
    s.place_scatter[3] += 1.0


@compiled
def fold(s: Any) -> float:
    """Return the sign of the angle sensor by where the arm is parked; 0 while that is not known."""
    if s.park_n == 0:
        return 0.0
    return 1.0 if s.park_angle > s.place_angle else -1.0


@compiled
def share_scatter(stalls: Any) -> None:
    """Give every stall the scatter from cow to cow that all of them have seen: angle, both, cord."""
    aa, ac, cc, n = PRIOR_N * PRIOR_DEG**2, 0.0, PRIOR_N * PRIOR_MM**2, PRIOR_N
    for i in range(stalls.shape[0]):
        aa += stalls[i].place_scatter[0]
        ac += stalls[i].place_scatter[1]
        cc += stalls[i].place_scatter[2]
        n += stalls[i].place_scatter[3]
    for i in range(stalls.shape[0]):
        stalls[i].cow_scatter[0], stalls[i].cow_scatter[1], stalls[i].cow_scatter[2] = aa / n, ac / n, cc / n


@compiled
def log_odds(off: tuple[float, float], scatter: tuple[float, float, float]) -> float:
    """Return how much likelier a pose so far off is of a unit that is not carried, as log odds.

    Two normal distributions are compared: that of poses of carried units, and the wider one of units that
    stand off by angle and cord as well.
    """
    aa, ac, cc = scatter
    near = quadratic(off, (aa, ac, cc))
    far = quadratic(off, (aa + AWAY_DEG**2, ac, cc + AWAY_MM**2))
    narrow = aa * cc - ac * ac
    wide = (aa + AWAY_DEG**2) * (cc + AWAY_MM**2) - ac * ac
    return 0.5 * (near - far) + 0.5 * math.log(narrow / wide)


@compiled
def quadratic(off: tuple[float, float], scatter: tuple[float, float, float]) -> float:
    """Return the squared distance in scatters (Mahalanobis)."""
    (a, c), (aa, ac, cc) = off, scatter
    return float((cc * a * a - 2.0 * ac * a * c + aa * c * c) / (aa * cc - ac * ac))


@compiled
def pose_scatter(s: Any, milkings: int) -> tuple[float, float, float]:
    """Return the scatter of a carried unit's pose against that of so many milkings: angle, both, cord."""
    aa, both, cc = s.cow_scatter[0], fold(s) * s.cow_scatter[1], s.cow_scatter[2]
    if cc == 0.0:
        aa, cc = PRIOR_DEG**2, PRIOR_MM**2
    more = 1.0 + 1.0 / max(milkings, 1)
    return more * aa + WANDER_DEG**2, more * both, more * cc + WANDER_MM**2


@compiled
def place_odds(s: Any, angle_deg: float, cord_mm: float) -> float:
    """Return the log odds of a pose by the stall's other milkings; 0 while too few of them agree."""
    if s.place_n < FEWEST_VISITS:
        return 0.0
    return float(log_odds((angle_deg - s.place_angle, cord_mm - s.place_cord), pose_scatter(s, s.place_n)))


@compiled
def is_longer(s: Any, angle_deg: float, cord_mm: float) -> bool:
    """Tell whether a pose that stands off does so by a longer cord rather than by its angle."""
    aa, _, cc = pose_scatter(s, s.place_n)
    return bool(cord_mm / math.sqrt(cc) > abs(angle_deg) / math.sqrt(aa))


@compiled
def off_state(s: Any, share: float, off: tuple[float, float], num: KernelNumbers) -> int:
    """Return what a unit out of place is: by its beat, or by how it stands off where no beat is known."""
    loose = is_longer(s, off[0], off[1]) if share < 0.0 else share < LOOSE * num.swing_share
    return SLACK if loose else DRAG


@compiled
def step_odds(s: Any) -> float:
    """Return the log odds of the present pose by the milking's own level before."""
    off = (s.angle_mean - s.own_angle, s.cord_mean - s.own_cord)
    return float(log_odds(off, (STEP_DEG**2, 0.0, STEP_MM**2)))
