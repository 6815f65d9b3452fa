"""Lay the readings of all streams on one grid of 50 ms bins, in device time.

A bin is closed when every living stream has passed it. A stream that lags more than the patience
behind most others is no longer waited for; what it brings later is late and counted. When most
streams run ahead of the horizon at once, the parlor was silent and time moves on to them; when one
does, its clock is wrong and is shifted back. All of it is decided from the readings alone, so live
and replay close the same bins with the same data.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from detect.kinds import Channel, Quarter
from detect.machine import compiled
from detect.params import BIN_NS, TimelineParams
from detect.readings import ArmPosition, CowAtStall, MilkFlow, PlantVacuum, Reading, StallVacuum
from detect.state import Bins

SPAN: Final = 1024
"""Bins held (51 s); a power of two, above horizon and patience together."""
VACUUM, FLOW, ARM = 0, 1, 2
QUARTERS: Final = tuple(Channel(quarter.value) for quarter in Quarter)
"""Channels of the short milk tubes, in the order of their streams and planes."""
STREAMS: Final = 3 + len(QUARTERS)
PLANES: Final = 4
MOST_PENDING: Final = 20_000
Floats = NDArray[np.float64]
Placed = StallVacuum | PlantVacuum | MilkFlow | ArmPosition


@compiled
def add_samples(
    total: Any, number: Any, column: int, first_ns: int, period_ns: float, values: Any, from_bin: int
) -> int:  # fmt: skip
    """Add samples to their bins; return how many fell before ``from_bin`` or beyond the span."""
    lost = 0
    size = total.shape[0]
    for i in range(values.shape[0]):
        b = (first_ns + int(i * period_ns + 0.5)) // BIN_NS
        if b < from_bin or b >= from_bin + size:
            lost += 1
        else:
            total[b & (size - 1), column] += values[i]
            number[b & (size - 1), column] += 1
    return lost


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
        n = stalls
        self.stalls = stalls
        self.params = params
        self._patience_ns = int(params.patience_s * 1e9)
        self.done_bin = -1
        self.counters = {"late_samples": 0, "ahead_readings": 0, "clock_shifts": 0}
        self.cows: list[CowAtStall] = []
        self.pending: list[Placed] = []  # readings ahead of the horizon, until it is clear why
        self.jump_bin = -1
        self.accepted = 0  # vacuum readings laid since the first pending one
        # vacuum (last column: plant), flow, angle, cord; the four short milk tubes once one has spoken
        self.total = np.zeros((PLANES, SPAN, n + 1))
        self.number = np.zeros((PLANES, SPAN, n + 1), np.int64)
        self.covered = np.full((STREAMS, n + 1), -1, np.int64)  # end of each stream's data [ns]
        self.heard = np.zeros((STREAMS, n + 1), np.bool_)
        self.waited = np.ones((STREAMS, n + 1), np.bool_)
        self.waited[1:, n] = False  # the plant sends vacuum only
        self.offset = np.zeros((STREAMS, n + 1), np.int64)
        self.stray = np.zeros((STREAMS, n + 1), np.int64)  # readings in a row outside of the grid

    def add(self, reading: Reading) -> None:
        """Lay one reading on the grid, or set it aside when its time does not fit."""
        if isinstance(reading, CowAtStall):
            self.cows.append(reading)
            del self.cows[: -16 * self.stalls]
            return
        kind, column = self._stream(reading)
        length_ns = self._length_ns(reading)
        start_ns = reading.t_ns + int(self.offset[kind, column])
        end_ns = start_ns + length_ns
        if self.done_bin < 0:
            self.done_bin = (start_ns - self._patience_ns) // BIN_NS
            self.covered[:] = start_ns - self._patience_ns // 2  # whoever has not spoken yet is waited for
        if end_ns <= self.done_bin * BIN_NS:
            self._late(kind, column, end_ns)
        elif end_ns // BIN_NS - self.done_bin >= SPAN - 1:
            self._ahead(reading, kind, column, end_ns)
        else:
            self.stray[kind, column] = 0
            self.accepted += kind == VACUUM
            self.covered[kind, column] = max(self.covered[kind, column], end_ns)
            self.waited[kind, column] = self.heard[kind, column] = True
            self._lay(reading, column, start_ns)

    def closed_bin(self) -> int:
        """Return the first bin that is not yet closed; streams that lag too far are left behind."""
        if self.jump_bin >= 0 or self.done_bin < 0:
            return self.jump_bin
        seen = self.covered[VACUUM][self.heard[VACUUM]]
        seen = seen if seen.size else self.covered[self.heard]
        if seen.size == 0:
            return self.done_bin
        clock_ns = int(np.sort(seen)[(seen.size - 1) // 2])
        if self.pending and clock_ns <= self.done_bin * BIN_NS:
            return self.done_bin
        horizon_ns = int(self.params.horizon_s * 1e9)
        limit_ns = max(clock_ns, int(np.sort(seen)[-1]) - horizon_ns) - self._patience_ns
        self.waited &= self.covered >= limit_ns
        waited = self.covered[self.waited]
        frontier_ns = int(waited.min()) if waited.size else limit_ns
        return max(self.done_bin, frontier_ns // BIN_NS)

    def end_bin(self) -> int:
        """Return the bin after the newest vacuum (or other data, when there is none)."""
        newest = self.covered[VACUUM] if self.heard[VACUUM].any() else self.covered
        return max(self.done_bin, -(-int(newest.max()) // BIN_NS))

    def end_of_data_bin(self) -> int:
        """Return the bin after the newest data of any kind, for a checkpoint."""
        return max(self.done_bin, -(-int(self.covered.max()) // BIN_NS))

    def take(self, to_bin: int) -> Bins:
        """Remove the bins before ``to_bin`` (at most SPAN of them) from the grid and return them."""
        first, n = self.done_bin, self.stalls
        rows = np.arange(first, to_bin) & (SPAN - 1)
        total, number = self.total[:, rows], self.number[:, rows]
        mean = np.full(total.shape, np.nan)
        np.divide(total, number, out=mean, where=number > 0)
        self.total[:, rows] = 0.0
        self.number[:, rows] = 0
        self.done_bin = to_bin
        if 0 <= self.jump_bin <= to_bin:
            self._land()
        vacuum, flow, angle, cord = (np.ascontiguousarray(m[:, :n]) for m in mean[:PLANES])
        tubes = np.ascontiguousarray(np.moveaxis(mean[PLANES:, :, :n], 0, 2))
        return Bins(first, vacuum, np.ascontiguousarray(mean[0, :, n]), flow, angle, cord, tubes)

    def add_tubes(self) -> None:
        """Make room for the short milk tubes, which few parlors measure."""
        if self.total.shape[0] == PLANES:
            more = (len(QUARTERS), *self.total.shape[1:])
            self.total = np.concatenate([self.total, np.zeros(more)])
            self.number = np.concatenate([self.number, np.zeros(more, np.int64)])

    def _lay(self, reading: Placed, column: int, start_ns: int) -> None:
        at = (column, start_ns)
        if isinstance(reading, ArmPosition):
            period = 1e9 / reading.rate_hz
            lost = self._put(2, at, period, reading.angle_deg)
            self._put(3, at, period, reading.cord_mm)
        elif isinstance(reading, MilkFlow):
            lost = self._put(1, at, 1.0, np.array([reading.flow_kg_min]))
        else:
            plane = 0
            if isinstance(reading, StallVacuum) and reading.channel is not Channel.CLAW:
                self.add_tubes()
                plane = PLANES + QUARTERS.index(reading.channel)
            lost = self._put(plane, at, 1e9 / reading.rate_hz, reading.vacuum_kpa)
        self.counters["late_samples"] += lost

    def _put(self, plane: int, at: tuple[int, int], period_ns: float, values: Floats) -> int:
        column, start_ns = at
        return int(
            add_samples(
                self.total[plane], self.number[plane], column, start_ns, period_ns, values, self.done_bin
            )
        )

    def _late(self, kind: int, column: int, end_ns: int) -> None:
        """Count a reading that came after its bins were closed; many in a row mean a clock set back."""
        self.counters["late_samples"] += 1
        self.stray[kind, column] += 1
        if end_ns > self.done_bin * BIN_NS - self._patience_ns:  # only just: wait for this stream again
            self.stray[kind, column] = 0
            self.covered[kind, column] = max(self.covered[kind, column], end_ns)
            self.waited[kind, column] = True
        if self.stray[kind, column] >= self.params.doubt_readings:
            self._shift(kind, column, end_ns)

    def _ahead(self, reading: Placed, kind: int, column: int, end_ns: int) -> None:
        """Set a reading from beyond the grid aside and decide whether the parlor or one clock jumped."""
        if not self.pending:
            self.accepted = 0
        self.stray[kind, column] += 1
        if self.accepted > 0 and self.stray[kind, column] >= self.params.doubt_readings:
            self._shift(kind, column, end_ns)
            return
        if self.accepted > self.stalls:
            self.counters["ahead_readings"] += len(self.pending)
            self.pending.clear()
            self.accepted = 0
        self.pending.append(reading)
        ahead = int(np.count_nonzero(self.stray[VACUUM]))
        living = max(1, int(np.count_nonzero(self.waited[VACUUM] & self.heard[VACUUM])))
        alone = self.stray[kind, column] >= self.params.doubt_readings
        if self.accepted == 0 and (2 * ahead > living or alone) and self.jump_bin < 0:
            first_ns = min(r.t_ns for r in self.pending)
            self.jump_bin = max(self.done_bin, first_ns // BIN_NS - 1)
        if len(self.pending) > MOST_PENDING:
            self.counters["ahead_readings"] += len(self.pending)
            self.pending.clear()

    def _land(self) -> None:
        """Arrive after a silence of the whole parlor and lay what was set aside."""
        pending, self.pending = self.pending, []
        self.jump_bin = -1
        self.stray[:] = 0
        self.covered[self.heard] = self.done_bin * BIN_NS  # whoever spoke before is waited for again
        self.waited |= self.heard
        for reading in pending:
            self.add(reading)

    def _shift(self, kind: int, column: int, end_ns: int) -> None:
        """Move one stream's clock to the parlor's; its next reading fits."""
        self.offset[kind, column] += (self.done_bin + 1) * BIN_NS + self._patience_ns // 2 - end_ns
        self.stray[kind, column] = 0
        self.covered[kind, column] = -1
        self.counters["clock_shifts"] += 1

    def _stream(self, reading: Placed) -> tuple[int, int]:
        if isinstance(reading, PlantVacuum):
            return VACUUM, self.stalls
        if isinstance(reading, StallVacuum):
            tube = reading.channel is not Channel.CLAW
            kind = ARM + 1 + QUARTERS.index(reading.channel) if tube else VACUUM
        else:
            kind = FLOW if isinstance(reading, MilkFlow) else ARM
        return kind, reading.stall - 1

    def _length_ns(self, reading: Placed) -> int:
        if isinstance(reading, MilkFlow):
            return int(self.params.flow_cover_s * 1e9)
        size = len(reading.angle_deg) if isinstance(reading, ArmPosition) else len(reading.vacuum_kpa)
        return round(size / reading.rate_hz * 1e9)
