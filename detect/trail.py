"""The last minute of the grid, bin by bin, for a face that draws traces; it feeds nothing back."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from detect.params import BIN_S
from detect.state import RING, Bins, Opening

SPAN: Final = 2048
"""Bins kept (102 s): an event is told up to 5 s after its end and lasts up to 30 s; a power of two."""
VACUUM, AIR, FLOW, ANGLE, CORD = range(5)
Traces = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Cut:
    """One stall's vacuum, air, flow, angle, cord from ``first_bin`` on, shape (5, bins); NaN is no data."""

    first_bin: int
    traces: Traces


class Trail:
    """Keep what each stall's signals were, with the air that the detector made of them.

    Parameters
    ----------
    stalls:
        Number of stalls.
    """

    def __init__(self, stalls: int) -> None:
        self.end_bin = -1
        self._first_bin = -1
        self._kept = np.full((5, SPAN, stalls), np.nan, np.float32)
        self._opened = np.full(stalls, -1)
        self._onset = np.full(stalls, -1)
        self._litres = np.zeros(stalls)

    def add(self, grid: Bins, state: Any) -> None:
        """Add one worked bin.

        Parameters
        ----------
        grid:
            One bin of readings.
        state:
            The stalls after that bin, array of STALL_DTYPE.
        """
        if grid.first_bin != self.end_bin:  # the record begins, or was begun anew elsewhere
            self._first_bin = grid.first_bin
        at = grid.first_bin & (SPAN - 1)
        self._kept[:, at] = (
            grid.kpa[0],
            self._air(state, grid.first_bin),
            grid.flow[0],
            grid.angle[0],
            grid.cord[0],
        )
        self.end_bin = grid.first_bin + 1

    def cut(self, stall: int, from_bin: int, to_bin: int) -> Cut:
        """Return a copy of one stall's traces in [from_bin, to_bin), as far as they are kept."""
        last = min(to_bin, self.end_bin)
        first = max(from_bin, self._first_bin, self.end_bin - SPAN)
        rows = np.arange(min(first, last), last) & (SPAN - 1)
        return Cut(min(first, last), self._kept[:, rows, stall - 1])

    def _air(self, state: Any, at_bin: int) -> NDArray[np.float64]:
        """Return the air of one bin [L/min]: the growth of an open admission, else what the model says."""
        newest = state["air_seen"] - 1
        rows, sums = np.arange(len(state)), state["air_sum"]
        litres = sums[rows, newest & (RING - 1)] - sums[rows, (newest - 1) & (RING - 1)]
        opened = np.where(state["opening"] == Opening.OPEN, state["op_on"], -1)
        growing = (opened >= 0) & (opened == self._opened)
        litres = np.where(growing, state["ev_l"] - self._litres, litres)
        for index in np.flatnonzero((opened >= 0) & ~growing):
            litres[index] = self._first_l(state[index], at_bin)
        self._opened, self._litres, self._onset = opened, state["ev_l"].copy(), state["ev_on"].copy()
        heard = (state["ready"] == 1) & (newest > 0)
        return np.where(heard, litres * 60.0 / BIN_S, np.nan)

    def _first_l(self, s: Any, at_bin: int) -> float:
        """Return the air [L] of the bin that found an opening: its litres less those shown already."""
        before = self._litres[s["index"]] if self._onset[s["index"]] == s["ev_on"] else 0.0
        shown = np.arange(max(int(s["op_on"]), at_bin - SPAN + 1), at_bin) & (SPAN - 1)
        shown_l = float(np.nansum(self._kept[AIR, shown, s["index"]])) * BIN_S / 60.0
        return max(0.0, float(s["ev_l"]) - float(before) - shown_l)
