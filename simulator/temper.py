"""A cow's temper: spells in which she steps about and loosens her cups."""

from __future__ import annotations

from typing import Final

import numpy as np

_SHAKES: Final = 4.0  # a restless cow moves her claw this much more than a calm one


class Temper:
    """The restlessness of whoever stands in one stall.

    Parameters
    ----------
    spells_per_h
        Spells an hour of a cow of mean temper.
    rng
        Draws them.
    """

    def __init__(self, spells_per_h: float, rng: np.random.Generator) -> None:
        self._per_s = spells_per_h / 3600.0
        self._rng = rng
        self._until_s = 0.0
        self._strength_n = 0.0

    def shakes(self, at_s: float) -> float:
        """Return how much the unit is shaken at an instant [s]: 1 by a cow who stands still."""
        return _SHAKES if at_s < self._until_s else 1.0

    def loosens_n(self, at_s: float, temper: float, flow_kg_min: float) -> float:
        """Return how much the cow loosens her cups in the second from ``at_s`` [N].

        Parameters
        ----------
        at_s
            Start of the second [s].
        temper
            Her restlessness, 1 for a mean cow.
        flow_kg_min
            Milk flow; she is three times as restless when little flows.
        """
        if at_s < self._until_s:
            return self._strength_n
        idle = 3.0 if flow_kg_min < 0.5 else 1.0
        if self._rng.random() < self._per_s * temper * idle:
            self._until_s = at_s + float(self._rng.uniform(3.0, 8.0))
            self._strength_n = float(self._rng.uniform(4.0, 8.0))
        return 0.0
