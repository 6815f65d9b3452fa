"""The detach arm: where it stands, how much cord it pays out, and what a sensor on it says.

A carried unit hangs on a taut cord, which passes the beat of the pulsator on to the arm; a slack cord
passes nothing. Every stall's sensor has its own sign, gain and zero, and every cow's claw hangs at
its own height, so that neither angle nor pay-out alone shows a slack cord.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from simulator.claw import FloatArray


class SupportState(StrEnum):
    """How a unit is not carried, in the words of the truth tables."""

    SLACK = "slack"
    DRAG = "drag"


@dataclass(frozen=True, slots=True)
class Arm:
    """Geometry of the arm and its sensor (engineering choices: no measured arm was found).

    Parameters
    ----------
    parked_deg, parked_mm
        Angle and pay-out with the unit hung up.
    working_deg, working_mm
        Angle and pay-out under a cow of mean height.
    deg_per_mm
        Rise of the angle for each millimetre the claw hangs higher.
    beat_deg
        Swing that a taut cord takes from the pulsation.
    sway_mm
        Scatter of the claw's height while the cow stands [mm].
    gain_spread, zero_spread_deg, turned_share
        Scatter of the sensor's gain and zero, share of stalls with turned sign.
    noise_deg, noise_mm
        Noise of one reading.
    """

    parked_deg: float = 62.0
    parked_mm: float = 30.0
    working_deg: float = 24.0
    working_mm: float = 260.0
    deg_per_mm: float = 0.08
    beat_deg: float = 0.35
    sway_mm: float = 5.0
    gain_spread: float = 0.08
    zero_spread_deg: float = 6.0
    turned_share: float = 0.3
    noise_deg: float = 0.08
    noise_mm: float = 1.5


@dataclass(frozen=True, slots=True)
class Pose:
    """Where an arm goes from ``at_s`` [s] on: angle, pay-out, tension (0 to 1), time to settle [s]."""

    at_s: float
    angle_deg: float
    cord_mm: float
    tension: float
    settle_s: float


def parked(arm: Arm, at_s: float) -> Pose:
    """Return the pose of a unit hung up."""
    return Pose(at_s, arm.parked_deg, arm.parked_mm, 0.0, 0.5)


def carried(arm: Arm, at_s: float, height_mm: float) -> Pose:
    """Return the pose of a unit that the arm carries, its claw ``height_mm`` above the mean."""
    return Pose(at_s, arm.working_deg + arm.deg_per_mm * height_mm, arm.working_mm, 1.0, 0.7)


def uncarried(base: Pose, state: SupportState, rng: np.random.Generator) -> Pose:
    """Return the pose of a unit that is not carried, from the pose in which it would be."""
    if state is SupportState.SLACK:
        angle = base.angle_deg + float(rng.uniform(-2.5, 1.5))
        return Pose(base.at_s, angle, base.cord_mm + float(rng.uniform(25.0, 110.0)), 0.05, 0.7)
    angle = base.angle_deg + float(rng.choice([-1.0, 1.0]) * rng.uniform(4.0, 9.0))
    return Pose(base.at_s, angle, base.cord_mm - float(rng.uniform(5.0, 30.0)), 0.8, 0.5)


def fallen(arm: Arm, base: Pose) -> Pose:
    """Return the pose of a unit that has dropped off and hangs on its cord."""
    return Pose(base.at_s, base.angle_deg - 60.0 * arm.deg_per_mm, base.cord_mm + 20.0, 0.9, 0.2)


class ArmBank:
    """The arms of all stalls with their sensors, sampled tick by tick."""

    def __init__(self, arm: Arm, stalls: int, rng: np.random.Generator) -> None:
        self._arm = arm
        self._rng = rng
        self._sign = np.where(rng.random(stalls) < arm.turned_share, -1.0, 1.0)
        self._gain = rng.normal(1.0, arm.gain_spread, stalls) * self._sign
        self._zero = rng.normal(0.0, arm.zero_spread_deg, stalls)
        self._pose = [parked(arm, 0.0)] * stalls
        self._angle = np.full(stalls, arm.parked_deg)
        self._cord = np.full(stalls, arm.parked_mm)
        self._tension = np.zeros(stalls)
        self._sway = np.zeros(stalls)

    def sample(
        self, poses: list[Pose], cycle: FloatArray, t_s: FloatArray, unrest: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Return angle [deg] and pay-out [mm] as the sensors read them, both of shape (stalls, times).

        Parameters
        ----------
        poses
            The newest pose of every stall.
        cycle
            Pulsation cycles of every stall at each time, shape (stalls, times).
        t_s
            Times of the samples [s].
        unrest
            How much each cow shakes her unit, 1 for standing still, shape (stalls,).
        """
        step_s = float(t_s[1] - t_s[0]) if t_s.size > 1 else 1.0
        angle = np.empty(cycle.shape)
        cord = np.empty(cycle.shape)
        for k, now in enumerate(t_s):
            self._pose = [new if new.at_s <= now else old for new, old in zip(poses, self._pose, strict=True)]
            self._move(step_s, unrest)
            beat = self._arm.beat_deg * self._tension * np.sin(2.0 * math.pi * cycle[:, k])
            angle[:, k] = self._angle + self._arm.deg_per_mm * self._sway + beat
            cord[:, k] = self._cord
        angle += self._rng.normal(0.0, self._arm.noise_deg, angle.shape)
        cord += self._rng.normal(0.0, self._arm.noise_mm, cord.shape)
        return angle * self._gain[:, None] + self._zero[:, None], np.maximum(cord, 0.0)

    def _move(self, step_s: float, unrest: FloatArray) -> None:
        """Let every arm settle towards its pose, and the cows sway."""
        table = np.array([(p.angle_deg, p.cord_mm, p.tension, p.settle_s) for p in self._pose])
        share = 1.0 - np.exp(-step_s / table[:, 3])
        self._angle += share * (table[:, 0] - self._angle)
        self._cord += share * (table[:, 1] - self._cord)
        self._tension += share * (table[:, 2] - self._tension)
        keep = math.exp(-step_s / 5.0)
        kick = self._rng.standard_normal(self._sway.size) * math.sqrt(1.0 - keep * keep)
        self._sway = keep * self._sway + self._arm.sway_mm * unrest * kick * (table[:, 2] > 0.0)
