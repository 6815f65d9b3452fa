"""Who carries the unit: claw, cups, hose and arm on four teats.

Axes from the centroid of the teats: x forward, y to the cow's right, forces [N] down. With teats of
equal stiffness::

    N_i = F/4 + sgn_x Mx/(4 a) + sgn_y My/(4 b)

A cup that would have to pull its teat down is taken out and the others are solved again.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

GRAVITY: Final = 9.81
"""Acceleration of gravity [m/s2]."""
_SIDES: Final = np.array([[1.0, -1.0], [1.0, 1.0], [-1.0, -1.0], [-1.0, 1.0]])  # lf, rf, lr, rr


@dataclass(frozen=True, slots=True)
class Cluster:
    """Weights and places of one milking unit.

    Parameters
    ----------
    weight_kg
        Claw with four cups; modern units weigh 1.6 to 3.5 kg (from memory).
    cup_kg
        One cup with liner.
    hose_kg
        Weight of hose and milk that the claw outlet carries when no arm does.
    hose_behind_m
        How far behind the centroid the hose pulls.
    hose_side_m
        How far to the cow's right it pulls (negative: left). The side it pulls to carries it.
    drag_kg, drag_side_m
        Extra pull of a caught hose and how far to the right it acts.
    half_length_m, half_width_m
        Half the distance of front to rear and of left to right teats.
    teat_mm
        Diameter of a teat in its liner.
    """

    weight_kg: float = 2.5
    cup_kg: float = 0.45
    hose_kg: float = 1.0
    hose_behind_m: float = 0.12
    hose_side_m: float = 0.0
    drag_kg: float = 0.6
    drag_side_m: float = 0.10
    half_length_m: float = 0.06
    half_width_m: float = 0.05
    teat_mm: float = 22.0

    @property
    def teats_m(self) -> np.ndarray:
        """Places (x, y) of the four teats [m], shape (4, 2)."""
        places: np.ndarray = _SIDES * np.array([self.half_length_m, self.half_width_m])
        return places


@dataclass(frozen=True, slots=True)
class Carrying:
    """How a unit hangs.

    Parameters
    ----------
    arm_kg
        What the arm lifts at the hose's place.
    dragged
        Share of the drag of a caught hose, 0 to 1.
    folded
        Index of a cup that is off its teat and folded over the claw.
    """

    arm_kg: float = 0.0
    dragged: float = 0.0
    folded: int | None = None


@dataclass(frozen=True, slots=True)
class Wrench:
    """Total force [N] down and its moments [N m]: ``pitch`` loads the front, ``roll`` the right."""

    force_n: float
    pitch_nm: float
    roll_nm: float


def wrench_of(cluster: Cluster, carrying: Carrying) -> Wrench:
    """Return what the unit asks of the teats together."""
    hose = cluster.hose_kg - carrying.arm_kg
    drag = cluster.drag_kg * carrying.dragged
    pitch = -hose * cluster.hose_behind_m - drag * 0.05
    roll = hose * cluster.hose_side_m + drag * cluster.drag_side_m
    if carrying.folded is not None:
        x, y = cluster.teats_m[carrying.folded]
        pitch -= cluster.cup_kg * float(x)
        roll -= cluster.cup_kg * float(y)
    total = cluster.weight_kg + hose + drag
    return Wrench(total * GRAVITY, pitch * GRAVITY, roll * GRAVITY)


def teat_loads_n(cluster: Cluster, carrying: Carrying) -> tuple[float, float, float, float]:
    """Return the load [N] on each teat, in the order left front, right front, left rear, right rear."""
    asked = wrench_of(cluster, carrying)
    worn = [i for i in range(4) if i != carrying.folded]
    loads = _solve(cluster, asked, worn)
    return (float(loads[0]), float(loads[1]), float(loads[2]), float(loads[3]))


def _solve(cluster: Cluster, asked: Wrench, worn: list[int]) -> np.ndarray:
    """Share the wrench over the worn cups, dropping cups that would pull their teat down."""
    loads = np.zeros(4)
    target = np.array([asked.force_n, asked.pitch_nm, asked.roll_nm])
    while worn:
        places = cluster.teats_m[worn]
        shape = np.column_stack([np.ones(len(worn)), places])
        share = shape @ np.linalg.lstsq(shape.T @ shape, target, rcond=None)[0]
        if share.min() >= -1e-9:
            loads[worn] = np.maximum(share, 0.0)
            break
        worn = [i for i, load in zip(worn, share, strict=True) if load >= 0.0]
    return loads


def holding_force_n(vacuum_kpa: float, teat_mm: float) -> float:
    """Return the force [N] with which vacuum holds a teat of a diameter [mm] in its liner."""
    return vacuum_kpa * 1e3 * math.pi * (teat_mm * 1e-3) ** 2 / 4.0
