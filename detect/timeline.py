"""Lay the readings of all streams on one grid of 50 ms bins, in device time.

A bin is closed when every living stream has passed it. A stream that lags more than the patience
behind most others is no longer waited for; what it brings later is late and counted. When most
streams run ahead of the horizon at once, the parlor was silent and time moves on to them; when one
does, its clock is wrong and is shifted back. All of it is decided from the readings alone, so live
and replay close the same bins with the same data.

What is in order is laid by compiled code (:mod:`detect.grid`), the rare rest is decided here.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from detect.batch import COW, QUARTERS, STREAMS, VACUUM, ReadingBatch
from detect.errors import ParameterError
from detect.grid import (
    AT_ONCE,
    PLANES,
    ROWS,
    SPAN,
    Grid,
    Place,
    Rules,
    closed_bin,
    extent,
    lay_rows,
    survey,
    take_bins,
)
from detect.params import BIN_NS, TimelineParams
from detect.readings import CowAtStall, Reading
from detect.state import Bins

MOST_PENDING: Final = 20_000
LOOK_SHARE: Final = 4
"""The grid is looked at each time so many readings have come: the stalls divided by this."""
_NEVER: Final = 1 << 60


class Timeline:
    """The grid in the making.

    Parameters
    ----------
    stalls:
        Number of stalls; stall numbers run from 1.
    params:
        Patience, horizon and doubt.
    """

    def __init__(self, stalls: int, params: TimelineParams) -> None:
        shape = (STREAMS, stalls + 1)
        self.stalls = stalls
        self.params = params
        self._patience_ns = int(params.patience_s * 1e9)
        self._horizon_ns = int(params.horizon_s * 1e9)
        self._flow_ns = int(params.flow_cover_s * 1e9)
        self._every = -(-stalls // LOOK_SHARE)
        self.done_bin = -1
        self.counters = {"late_samples": 0, "ahead_readings": 0, "clock_shifts": 0}
        self.cows: list[CowAtStall] = []
        self.pending: list[Reading] = []  # readings ahead of the horizon, until it is clear why
        self.jump_bin = -1
        self.accepted = 0  # vacuum readings laid since the first pending one
        self.unread = 0  # readings since the last look at the grid
        self.grid = Grid(
            total=np.zeros((PLANES, ROWS, stalls + 1)),
            number=np.zeros((PLANES, ROWS, stalls + 1), np.int32),
            covered=np.full(shape, -1, np.int64),
            heard=np.zeros(shape, np.bool_),
            waited=np.ones(shape, np.bool_),
            offset=np.zeros(shape, np.int64),
            stray=np.zeros(shape, np.int64),
        )
        self.grid.waited[1:, stalls] = False  # the plant sends vacuum only

    def add(self, reading: Reading) -> None:
        """Lay one reading on the grid, or set it aside when its time does not fit; look at nothing."""
        batch = ReadingBatch.of([reading])
        self.make_room(batch)
        self._add(batch, 0)

    def lay(self, batch: ReadingBatch, at: int) -> tuple[int, int]:
        """Lay the readings of a batch from a row on, until bins have to be worked.

        It is seen what is closed each time a quarter of the parlor's stalls has spoken, wherever a
        batch ends.

        Returns
        -------
        tuple[int, int]
            The next row, and the first bin not closed: work up to there before going on.
        """
        while at < len(batch):
            if self.jump_bin < 0:
                place = self._lay(batch, at, self._rules())
                at, self.unread = place.at, place.unread
                if at == len(batch) or place.open_bin > self.done_bin:
                    return at, place.open_bin
            self._add(batch, at)
            at, self.unread = at + 1, self.unread + 1
            if self.unread >= self._every:
                self.unread = 0
                if (open_bin := self.closed_bin()) > self.done_bin:
                    return at, open_bin
        return at, self.done_bin

    def closed_bin(self) -> int:
        """Return the first bin that is not yet closed; streams that lag too far are left behind."""
        if self.jump_bin >= 0 or self.done_bin < 0:
            return self.jump_bin
        return int(closed_bin(self.grid, self.done_bin, self._rules()))

    def end_bin(self) -> int:
        """Return the bin after the newest vacuum (or other data, when there is none)."""
        covered = self.grid.covered
        newest = covered[VACUUM] if self.grid.heard[VACUUM].any() else covered
        return max(self.done_bin, -(-int(newest.max()) // BIN_NS))

    def rows(self) -> NDArray[np.int64]:
        """Return the rows of the grid that hold open bins, for a checkpoint."""
        newest = max(self.done_bin, -(-int(self.grid.covered.max()) // BIN_NS))
        end = min(newest + 1, self.done_bin + SPAN) if self.done_bin >= 0 else self.done_bin
        return np.arange(self.done_bin, end) % ROWS

    def take(self, to_bin: int) -> Bins:
        """Remove the bins before ``to_bin`` (at most SPAN of them) from the grid and return them."""
        first, n, bins = self.done_bin, self.stalls, to_bin - self.done_bin
        planes, plant = np.empty((PLANES, bins, n)), np.empty(bins)
        tubes = np.empty((bins, n, len(self.grid.total) - PLANES))
        take_bins(self.grid, first, (planes, plant, tubes))
        self.done_bin = to_bin
        if 0 <= self.jump_bin <= to_bin:
            self._land()
        vacuum, flow, angle, cord = planes
        return Bins(first, vacuum, plant, flow, angle, cord, tubes)

    def make_room(self, batch: ReadingBatch) -> None:
        """Get ready for a batch.

        Raises
        ------
        ParameterError
            If a reading's stall does not exist.
        """
        wrong, tubes = survey(batch.rows, self.stalls)
        if wrong >= 0:
            what = f"stall {batch.rows['stall'][wrong]} is outside 1..{self.stalls}"
            raise ParameterError(what, where="reading")
        if tubes:
            self.add_tubes()

    def add_tubes(self) -> None:
        """Make room for the short milk tubes, which few parlors measure."""
        if len(self.grid.total) == PLANES:
            total, number = (
                np.concatenate([plane, np.zeros((len(QUARTERS), *plane.shape[1:]), plane.dtype)])
                for plane in (self.grid.total, self.grid.number)
            )
            self.grid = self.grid._replace(total=total, number=number)

    def _rules(self, every: int | None = None) -> Rules:
        times_ns = (self._patience_ns, self._horizon_ns, self._flow_ns)
        return Rules(*times_ns, every or self._every, AT_ONCE, bool(self.pending))

    def _lay(self, batch: ReadingBatch, at: int, rules: Rules) -> Place:
        """Lay what is in order, and return where it stopped."""
        place = Place(at, self.done_bin, self.unread, self.accepted, 0)
        place = Place(*lay_rows(self.grid, batch.rows, batch.values, place, rules))
        self.accepted = place.accepted
        self.counters["late_samples"] += place.lost
        return place

    def _add(self, batch: ReadingBatch, at: int) -> None:
        """Take one reading, whatever it is."""
        if batch.rows[at]["stream"] == COW:
            self.cows.append(batch.cows[batch.rows[at]["first"]])
            del self.cows[: -16 * self.stalls]
            return
        rules = self._rules(every=_NEVER)
        column, start_ns, end_ns = extent(self.grid, batch.rows[at], rules)
        if self.done_bin < 0:
            self.done_bin = (start_ns - self._patience_ns) // BIN_NS
            self.grid.covered[:] = start_ns - self._patience_ns // 2  # who has not spoken yet is waited for
        if self._lay(batch.part(at, at + 1), 0, rules).at == 1:
            return
        if end_ns <= self.done_bin * BIN_NS:
            self._late(int(batch.rows[at]["stream"]), column, end_ns)
        else:
            self._ahead(batch.reading(at), int(batch.rows[at]["stream"]), column, end_ns)

    def _late(self, stream: int, column: int, end_ns: int) -> None:
        """Count a reading that came after its bins were closed; many in a row mean a clock set back."""
        grid = self.grid
        self.counters["late_samples"] += 1
        grid.stray[stream, column] += 1
        if end_ns > self.done_bin * BIN_NS - self._patience_ns:  # only just: wait for this stream again
            grid.stray[stream, column] = 0
            grid.covered[stream, column] = max(grid.covered[stream, column], end_ns)
            grid.waited[stream, column] = True
        if grid.stray[stream, column] >= self.params.doubt_readings:
            self._shift(stream, column, end_ns)

    def _ahead(self, reading: Reading, stream: int, column: int, end_ns: int) -> None:
        """Set a reading from beyond the grid aside and decide whether the parlor or one clock jumped."""
        stray = self.grid.stray
        if not self.pending:
            self.accepted = 0
        stray[stream, column] += 1
        if self.accepted > 0 and stray[stream, column] >= self.params.doubt_readings:
            self._shift(stream, column, end_ns)
            return
        if self.accepted > self.stalls:
            self._give_up()
            self.accepted = 0
        self.pending.append(reading)
        ahead = int(np.count_nonzero(stray[VACUUM]))
        living = max(1, int(np.count_nonzero(self.grid.waited[VACUUM] & self.grid.heard[VACUUM])))
        alone = stray[stream, column] >= self.params.doubt_readings
        if self.accepted == 0 and (2 * ahead > living or alone) and self.jump_bin < 0:
            first_ns = min(r.t_ns for r in self.pending)
            self.jump_bin = max(self.done_bin, first_ns // BIN_NS - 1)
        if len(self.pending) > MOST_PENDING:
            self._give_up()

    def _give_up(self) -> None:
        """Drop what was set aside, and count it."""
        self.counters["ahead_readings"] += len(self.pending)
        self.pending.clear()

    def _land(self) -> None:
        """Arrive after a silence of the whole parlor and lay what was set aside."""
        pending, self.pending = self.pending, []
        self.jump_bin = -1
        self.grid.stray[:] = 0
        self.grid.covered[self.grid.heard] = self.done_bin * BIN_NS  # who spoke before is waited for again
        self.grid.waited[self.grid.heard] = True
        for reading in pending:
            self.add(reading)

    def _shift(self, stream: int, column: int, end_ns: int) -> None:
        """Move one stream's clock to the parlor's; its next reading fits."""
        shift_ns = (self.done_bin + 1) * BIN_NS + self._patience_ns // 2 - end_ns
        self.grid.offset[stream, column] += shift_ns
        self.grid.stray[stream, column] = 0
        self.grid.covered[stream, column] = -1
        self.counters["clock_shifts"] += 1
