"""The wash of one stall: water through the hanging unit, broken by slugs of air."""

from __future__ import annotations

from typing import Final

import numpy as np

from simulator.session import Drive
from simulator.slips import Opening, gap_area_mm2

_WATER_KG_MIN: Final = 4.0  # what the milk meter sees of the wash water


class Wash:
    """Drives one stall through the wash.

    Parameters
    ----------
    drive
        The stall's valve, flow and openings.
    air_every_s
        Time between slugs of air [s].
    rng
        Draws delays and sizes.
    """

    def __init__(self, drive: Drive, air_every_s: float, rng: np.random.Generator) -> None:
        self._drive = drive
        self._air_every_s = air_every_s
        self._rng = rng
        self._next_air_s = 0.0

    def begin(self, at_s: float) -> None:
        """Let vacuum and water on."""
        start = at_s + float(self._rng.uniform(0.0, 5.0))
        self._drive.valve.open(start)
        self._drive.milk.open(start + 2.0)
        self._next_air_s = at_s + 10.0

    def step(self, at_s: float) -> None:
        """Wash for the second from ``at_s``."""
        self._drive.flow_after_kg_min = _WATER_KG_MIN * float(self._rng.uniform(0.6, 1.2))
        if at_s >= self._next_air_s:
            start = at_s + float(self._rng.random())
            length, bore = float(self._rng.uniform(1.5, 3.5)), float(self._rng.uniform(5.0, 9.0))
            self._drive.openings.append(Opening(start, start + length, gap_area_mm2(bore), 0.2, 0.3))
            self._next_air_s += self._air_every_s

    def end(self, at_s: float) -> None:
        """Shut off; the unit drains through its open cups."""
        self._drive.valve.shut(at_s)
        self._drive.milk.shut(at_s)
        self._drive.openings = [Opening(at_s, at_s + 3.0, gap_area_mm2(6.0), 0.3, 0.3)]
