"""The compiled part of the timeline: readings into bins, and up to where bins are closed."""

from __future__ import annotations

from typing import Any, Final, NamedTuple

import numpy as np

from detect.batch import ARM, COW, FLOW, PLANT, STREAMS, VACUUM
from detect.machine import compiled, compiled_allocating
from detect.params import BIN_NS

SPAN: Final = 1024
"""Bins after the first open one that may be laid (51 s): above horizon and patience together."""
AT_ONCE: Final = 200
"""Closed bins (10 s) that may wait in the grid until they are worked."""
ROWS: Final = SPAN + AT_ONCE
PLANES: Final = 4
"""Vacuum, flow, angle, cord; those of the four short milk tubes come behind."""
NEVER_NS: Final = np.int64(2**62)
"""Later than every reading."""


class Grid(NamedTuple):
    """What is laid, and how far each stream is; the last column is the plant's.

    Attributes
    ----------
    total, number:
        Sum and number of the samples of each bin, shape (planes, ROWS, stalls + 1).
    covered:
        End of each stream's data [ns], shape (STREAMS, stalls + 1), as the following.
    heard, waited:
        The stream has spoken; bins wait for it.
    offset, stray:
        By what its clock is shifted [ns]; readings in a row outside of the grid.
    """

    total: np.ndarray
    number: np.ndarray
    covered: np.ndarray
    heard: np.ndarray
    waited: np.ndarray
    offset: np.ndarray
    stray: np.ndarray


class Rules(NamedTuple):
    """How rows are laid: the timeline's parameters in ns, and what stops a run.

    Attributes
    ----------
    patience_ns, horizon_ns, flow_ns:
        As in TimelineParams.
    every:
        Readings between two looks at what is closed.
    most:
        Closed bins after which the run stops to have them worked.
    pending:
        Readings were set aside: time may have to jump.
    """

    patience_ns: int
    horizon_ns: int
    flow_ns: int
    every: int
    most: int
    pending: bool


class Place(NamedTuple):
    """Where a run of rows stands: row, first open bin, readings since a look, vacuum laid, samples lost."""

    at: int
    open_bin: int
    unread: int
    accepted: int
    lost: int


@compiled
def survey(rows: Any, stalls: int) -> tuple[int, bool]:
    """Return the first row of an unknown stall, -1 if there is none; and whether short milk tubes speak."""
    tubes = False
    for at in range(rows.shape[0]):
        row = rows[at]
        tubes = tubes or row.stream > ARM
        if row.stall > stalls or row.stall < (PLANT if row.stream == VACUUM else 1):
            return at, tubes
    return -1, tubes


@compiled
def add_samples(grid: Grid, plane: int, column: int, span: tuple[int, float, int], values: Any) -> int:
    """Add samples to their bins; return how many fell before the first open bin or beyond the span.

    ``span`` holds the time of the first sample [ns], the period [ns] and the first open bin.
    """
    first_ns, period_ns, from_bin = span
    lost, i, count, each, b, stop = 0, 0, values.shape[0], samples_a_bin(period_ns), 0, 0
    while i < count:
        if each > 0 and i > 0:
            b, stop = b + 1, min(i + each, count)
        else:
            b = (first_ns + int(i * period_ns + 0.5)) // BIN_NS
            apart = period_ns >= BIN_NS  # no two in one bin
            stop = i + 1 if apart else first_beyond(span, (i, count), (b + 1) * BIN_NS)
        if from_bin <= b < from_bin + SPAN:
            row = b % ROWS
            total = grid.total[plane, row, column]
            for k in range(i, stop):
                total += values[k]
            grid.total[plane, row, column] = total
            grid.number[plane, row, column] += stop - i
        else:
            lost += stop - i
        i = stop
    return lost


@compiled
def samples_a_bin(period_ns: float) -> int:
    """Return the samples that every bin holds, 0 where it is not the same number for all of them."""
    each = int(BIN_NS / period_ns)
    return each if period_ns == int(period_ns) and each * int(period_ns) == BIN_NS else 0


@compiled
def first_beyond(span: tuple[int, float, int], among: tuple[int, int], edge_ns: int) -> int:
    """Return the first sample after ``among[0]``, at most ``among[1]``, whose time is not before an edge."""
    first_ns, period_ns, _ = span
    stop = min(max(int((edge_ns - first_ns) / period_ns), among[0] + 1), among[1])
    while stop > among[0] + 1 and first_ns + int((stop - 1) * period_ns + 0.5) >= edge_ns:
        stop -= 1
    while stop < among[1] and first_ns + int(stop * period_ns + 0.5) < edge_ns:
        stop += 1
    return stop


@compiled
def extent(grid: Grid, row: Any, rules: Rules) -> tuple[int, int, int]:
    """Return the column of a row, and start and end of its data [ns] by the parlor's clock."""
    column = grid.covered.shape[1] - 1 if row.stall == PLANT else row.stall - 1
    start_ns = row.t_ns + grid.offset[row.stream, column]
    length_ns = rules.flow_ns if row.stream == FLOW else np.int64(np.rint(row.count / row.rate_hz * 1e9))
    return column, start_ns, start_ns + length_ns


@compiled
def lay_row(grid: Grid, row: Any, values: Any, start_ns: int, open_bin: int) -> int:
    """Add the numbers of one row to the grid; return how many samples were lost."""
    column = grid.covered.shape[1] - 1 if row.stall == PLANT else row.stall - 1
    numbers = values[row.first : row.first + row.count]
    if row.stream == FLOW:
        return int(add_samples(grid, FLOW, column, (start_ns, float(BIN_NS), open_bin), numbers))
    span = (start_ns, 1e9 / row.rate_hz, open_bin)
    plane = row.stream if row.stream <= ARM else row.stream + 1
    if row.stream == ARM:
        cords = values[row.first + row.count : row.first + 2 * row.count]
        add_samples(grid, ARM + 1, column, span, cords)
    return int(add_samples(grid, plane, column, span, numbers))


@compiled
def lay_rows(grid: Grid, rows: Any, values: Any, place: Place, rules: Rules) -> Place:
    """Lay rows up to one that needs a decision, or until enough bins are closed.

    Returns
    -------
    Place
        Where it stopped; a row is odd when it is a cow, comes before the first open bin, or ends
        beyond the span.
    """
    at, first_bin, unread, accepted, lost = place
    open_bin = first_bin
    while at < rows.shape[0] and open_bin - first_bin < rules.most:
        row = rows[at]
        if row.stream == COW or open_bin < 0:
            break
        column, start_ns, end_ns = extent(grid, row, rules)
        if end_ns <= open_bin * BIN_NS or end_ns // BIN_NS - open_bin >= SPAN - 1:
            break
        stream = row.stream
        grid.stray[stream, column] = 0
        accepted += 1 if stream == VACUUM else 0
        grid.covered[stream, column] = max(grid.covered[stream, column], end_ns)
        grid.waited[stream, column] = grid.heard[stream, column] = True
        lost += lay_row(grid, row, values, start_ns, open_bin)
        at += 1
        unread += 1
        if unread >= rules.every:
            unread, open_bin = 0, closed_bin(grid, open_bin, rules)
    return Place(at, open_bin, unread, accepted, lost)


@compiled
def closed_bin(grid: Grid, open_bin: int, rules: Rules) -> int:
    """Return the first bin that is not closed now; streams that lag too far are left behind."""
    least, newest = least_waited(grid), -1
    for column in range(grid.covered.shape[1]):
        if grid.heard[VACUUM, column]:
            newest = max(newest, grid.covered[VACUUM, column])
    if not rules.pending and newest >= 0 and least >= newest - rules.patience_ns:
        return int(max(open_bin, least // BIN_NS))  # nobody lags: no need to ask what most of them did
    clock_ns, newest = middle_and_newest(grid)
    if newest < 0 or (rules.pending and clock_ns <= open_bin * BIN_NS):
        return int(open_bin)
    limit_ns = max(clock_ns, newest - rules.horizon_ns) - rules.patience_ns
    for stream in range(STREAMS):
        for column in range(grid.covered.shape[1]):
            if grid.covered[stream, column] < limit_ns:
                grid.waited[stream, column] = False
    least = least_waited(grid)
    return int(max(open_bin, (least if least >= 0 else limit_ns) // BIN_NS))


@compiled
def least_waited(grid: Grid) -> int:
    """Return the least end of the streams waited for [ns], -1 when there is none."""
    least = NEVER_NS
    for stream in range(STREAMS):
        for column in range(grid.covered.shape[1]):  # no branch: several at once
            least = min(least, grid.covered[stream, column] if grid.waited[stream, column] else NEVER_NS)
    return int(least) if least < NEVER_NS else -1


@compiled_allocating
def middle_and_newest(grid: Grid) -> tuple[int, int]:
    """Return lower median and latest of the ends [ns] of all vacuum heard, or of all data; -1 of nothing."""
    ends, n = np.empty(grid.covered.size, np.int64), 0
    for streams in (1, STREAMS):
        for stream in range(streams):
            for column in range(grid.covered.shape[1]):
                if n < ends.size and grid.heard[stream, column]:
                    ends[n] = grid.covered[stream, column]
                    n += 1
        if n > 0:
            break
    if n == 0:
        return -1, -1
    ordered = np.sort(ends[:n])
    return int(ordered[(n - 1) // 2]), int(ordered[n - 1])


@compiled
def take_bins(grid: Grid, first_bin: int, out: tuple[Any, Any, Any]) -> None:
    """Move the means of bins, NaN without data, out of the grid.

    Into ``out``: the stalls' planes of shape (PLANES, bins, stalls), the plant's vacuum (bins,) and the
    short milk tubes (bins, stalls, tubes).
    """
    planes, plant, tubes = out
    stalls = planes.shape[2]
    for k in range(plant.shape[0]):
        row = (first_bin + k) % ROWS
        plant[k] = take_mean(grid, VACUUM, row, stalls)
        for plane in range(PLANES):
            for column in range(stalls):
                planes[plane, k, column] = take_mean(grid, plane, row, column)
        for plane in range(tubes.shape[2]):
            for column in range(stalls):
                tubes[k, column, plane] = take_mean(grid, PLANES + plane, row, column)


@compiled
def take_mean(grid: Grid, plane: int, row: int, column: int) -> float:
    """Move one mean out of the grid."""
    n = grid.number[plane, row, column]
    mean = grid.total[plane, row, column] / n if n > 0 else np.nan
    grid.total[plane, row, column], grid.number[plane, row, column] = 0.0, 0
    return float(mean)
