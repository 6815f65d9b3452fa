"""A parlor whose stalls are written by hand and say little: time goes on by the plant's sensor."""

from __future__ import annotations

from typing import Any

import numpy as np

from detect.params import BIN_NS, BIN_S, DetectorParams, MilkingParams
from detect.parlor import ParlorDetector
from detect.readings import CowAtStall, PlantVacuum, Reading, StallVacuum
from detect.results import Milking, Result
from detect.state import MILKED
from tests.detect.scripted import QUIET_KPA, START_NS

AT = START_NS // BIN_NS
"""The first bin, at whole ten seconds."""
MINUTE = 1200
FRAME = 14
"""Bins of a frame (0.7 s), so that seldom a frame ends at whole ten seconds."""
FALL = {
    **{"hanging": 1, "hang_from": AT - 300, "hang_last": AT - 250, "hang_off": AT - 290, "near_park": 0},
    **{"parked_bin": -1, "attached": 0, "off_bin": AT - 300},
}
"""A unit that fell 15 s ago and still hangs open, its arm down; nobody was told."""
EVENT = {
    **{"ev_on": AT - 300, "ev_found": AT - 296, "ev_last": AT - 290, "ev_l": 0.7, "ev_depth": 14.0},
    **{"ev_fall": 12.0, "ev_rise": 20.0, "ev_tail": 3.0, "ev_peak": 90.0, "ev_milked": MILKED},
    **{"ev_base": QUIET_KPA, "ev_pulses": 1},
}
"""What was heard of an opening 15 s ago that is over."""


class Silent:
    """A detector at a bin of its life that nothing led up to.

    Parameters
    ----------
    stalls:
        Number of stalls.
    milking:
        Changed parameters of milkings.
    """

    def __init__(self, stalls: int = 1, **milking: Any) -> None:
        params = DetectorParams(milking=MilkingParams(**milking))
        self.detector = ParlorDetector(parlor="willowmere", stalls=stalls, params=params)
        self.detector.timeline.done_bin = self.bin = AT

    def write(self, stall: int = 1, **fields: Any) -> None:
        """Write fields of a stall's state."""
        for name, value in fields.items():
            self.detector.state[name][stall - 1] = value

    def begin(self, stall: int = 1, cow: str | None = "17", **fields: Any) -> None:
        """Let a stall have milked six minutes, 12 kg, until 30 s ago; the fields say what was otherwise."""
        known = {"open": 1, "seen_off": 1, "first_bin": AT - 7_800, "off_bin": AT - 600, "yield_kg": 12.0}
        self.write(stall, **(known | {"on_bins": 7_200, "data_bins": 7_200} | fields))
        book = self.detector.books[stall - 1]
        book.cow = cow
        book.attach(AT - 7_800, begun=True)
        assert book.milking is not None
        book.milking.end_bin = AT - 600

    def come(self, cow: str | None, *, stall: int = 1, in_s: float = 0.0) -> list[Result]:
        """Announce who stands at a stall from a moment on."""
        return self.detector.feed(CowAtStall(stall, (self.bin + round(in_s / BIN_S)) * BIN_NS, cow))

    def live(self, seconds: float, *, kpa: dict[int, float] | None = None) -> list[Result]:
        """Let time go on by frames; the stalls named have this vacuum, the others send nothing."""
        line, results = self.detector.timeline, list[Result]()
        line.grid.waited[:] = False
        end = self.bin + round(seconds / BIN_S)
        while self.bin < end:
            t_ns, n = self.bin * BIN_NS, min(FRAME, end - self.bin)
            frames: list[Reading] = [
                StallVacuum(stall, t_ns, 20.0, np.full(n, vacuum)) for stall, vacuum in (kpa or {}).items()
            ]
            for frame in [*frames, PlantVacuum(t_ns, 20.0, np.full(n, 44.0))]:
                results += self.detector.feed(frame)
            self.bin += n
        return results


def rows(results: list[Result]) -> list[Milking]:
    """Return the milkings that were told."""
    return [result for result in results if isinstance(result, Milking)]
