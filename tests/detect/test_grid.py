"""Samples into bins and bins closed, by the compiled functions alone on small grids."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from detect.batch import ARM, COW, FLOW, PLANT, ROW_DTYPE, STREAMS, VACUUM
from detect.grid import (
    PLANES,
    ROWS,
    SPAN,
    Grid,
    Place,
    Rules,
    add_samples,
    closed_bin,
    extent,
    lay_row,
    lay_rows,
    least_waited,
    middle_and_newest,
    survey,
    take_bins,
)
from detect.params import BIN_NS

S = 10**9
AT = 1_000
RULES = Rules(patience_ns=4 * S, horizon_ns=20 * S, flow_ns=S, every=1, most=200, pending=False)


def grid(stalls: int = 3, planes: int = PLANES) -> Grid:
    """Return an empty grid that waits for nobody."""
    shape = (STREAMS, stalls + 1)
    return Grid(
        total=np.zeros((planes, ROWS, stalls + 1)),
        number=np.zeros((planes, ROWS, stalls + 1), np.int32),
        covered=np.full(shape, -1, np.int64),
        heard=np.zeros(shape, np.bool_),
        waited=np.zeros(shape, np.bool_),
        offset=np.zeros(shape, np.int64),
        stray=np.zeros(shape, np.int64),
    )


def rows(*parts: tuple[int, int, int, float, int, int]) -> Any:
    """Return rows of a batch."""
    return np.array(list(parts), ROW_DTYPE).view(np.recarray)


def means(g: Grid, plane: int, column: int, first: int, count: int) -> list[float]:
    """Take bins out and return one column."""
    planes, _, _ = taken(g, first, count)
    return list(planes[plane, :, column])


def taken(g: Grid, first: int, count: int) -> tuple[Any, Any, Any]:
    """Take bins out: planes, the plant's vacuum, short milk tubes."""
    stalls = g.total.shape[2] - 1
    out = (
        np.empty((PLANES, count, stalls)),
        np.empty(count),
        np.empty((count, stalls, len(g.total) - PLANES)),
    )
    take_bins(g, first, out)
    return out


def test_samples_go_to_the_bins_of_their_time() -> None:
    """A hundred a second from the middle of a bin: three, then five a bin; what was there is added to."""
    g = grid()
    span = (AT * BIN_NS + 2 * BIN_NS // 5, 1e7, AT)
    assert add_samples(g, 0, 1, span, np.arange(13.0)) == 0
    assert add_samples(g, 0, 1, (AT * BIN_NS, 1e7, AT), np.array([7.0])) == 0
    assert g.number[0, AT % ROWS : AT % ROWS + 4, 1].tolist() == [4, 5, 5, 0]
    assert means(g, 0, 1, AT, 4)[:3] == pytest.approx([10.0 / 4.0, 5.0, 10.0])
    assert not g.total.any()
    assert not g.number.any()


@pytest.mark.parametrize("rate_hz", [20.0, 33.0, 60.0, 64.0, 100.0, 1000.0])
@pytest.mark.parametrize("offset_ns", [0, 1, 4_999_999, 5_000_000, BIN_NS - 1])
def test_every_sample_is_in_the_bin_of_its_rounded_time(rate_hz: float, offset_ns: int) -> None:
    """Whether every bin holds the same number of samples or not, and wherever the first one lies."""
    g, count, first_ns = grid(), 200, AT * BIN_NS + offset_ns
    assert add_samples(g, 0, 0, (first_ns, 1e9 / rate_hz, AT), np.ones(count)) == 0
    times_ns = first_ns + np.floor(np.arange(count) * (1e9 / rate_hz) + 0.5).astype(np.int64)
    expected = np.bincount(times_ns // BIN_NS - AT)
    found = g.number[0, np.arange(AT, AT + expected.size) % ROWS, 0]
    assert found.tolist() == expected.tolist()
    assert g.number.sum() == count


def test_samples_before_the_open_bin_or_beyond_the_span_are_lost_and_counted() -> None:
    """Of a second, half lies before; nothing of the rest is moved."""
    g = grid()
    assert add_samples(g, 0, 0, ((AT - 10) * BIN_NS, 1e7, AT), np.ones(100)) == 50
    assert g.number[0, :, 0].sum() == 50
    far = grid()
    assert add_samples(far, 0, 0, ((AT + SPAN - 10) * BIN_NS, 1e7, AT), np.ones(100)) == 50
    assert far.number[0, (AT + SPAN - 1) % ROWS, 0] == 5
    assert far.number[0, (AT + SPAN) % ROWS, 0] == 0


def test_a_bin_without_samples_is_no_data() -> None:
    """Also where the ring of rows turns over."""
    g = grid()
    first = ROWS * 3 - 2
    add_samples(g, 2, 0, (first * BIN_NS, 2e8, first), np.array([1.0, 2.0]))
    taken = means(g, 2, 0, first, 6)
    assert [taken[0], taken[4]] == [1.0, 2.0]
    assert np.isnan([taken[k] for k in (1, 2, 3, 5)]).all()
    add_samples(g, 2, 0, (first * BIN_NS, 2.5e7, first), np.repeat(np.arange(6.0), 2))
    assert means(g, 2, 0, first, 6) == [0.0, 1.0, 2.0, 3.0, 4.0, 5.0]


def test_a_strange_stall_is_found_and_tubes_are_noticed() -> None:
    """Stalls run from 1; only vacuum may be the plant's."""
    good = rows((VACUUM, PLANT, 0, 1.0, 0, 1), (FLOW, 3, 0, 1.0, 0, 1), (ARM, 1, 0, 1.0, 0, 1))
    assert survey(good, 3) == (-1, False)
    assert survey(good, 2) == (1, False)
    assert survey(rows((VACUUM, 1, 0, 1.0, 0, 1), (FLOW, PLANT, 0, 1.0, 0, 1)), 3)[0] == 1
    assert survey(rows((ARM + 1, 1, 0, 1.0, 0, 1), (VACUUM, 1, 0, 1.0, 0, 1)), 3) == (-1, True)
    assert survey(rows((VACUUM, -1, 0, 1.0, 0, 1)), 3)[0] == 0


def test_how_far_a_row_reaches() -> None:
    """Samples over rate, a milk flow for a second; the stream's clock is shifted; the plant is last."""
    g = grid()
    g.offset[VACUUM, 1] = 5 * S
    frames = rows(
        (VACUUM, 2, 7 * S, 100.0, 0, 50), (FLOW, 2, 7 * S, 1.0, 0, 1), (VACUUM, PLANT, S, 3.0, 0, 2)
    )
    assert extent(g, frames[0], RULES) == (1, 12 * S, 12 * S + S // 2)
    assert extent(g, frames[1], RULES) == (1, 7 * S, 8 * S)
    assert extent(g, frames[2], RULES) == (3, S, S + 666_666_667)


def test_each_stream_has_its_plane() -> None:
    """Angles and, behind them, cords; the tubes' planes come behind those."""
    g, values = grid(planes=PLANES + 4), np.arange(10.0, 22.0)
    t_ns = AT * BIN_NS
    places = [(VACUUM, 1, 0, 2), (FLOW, 1, 4, 1), (ARM, 1, 6, 2), (ARM + 1, 1, 1, 1), (ARM + 4, 1, 3, 1)]
    for stream, stall, first, count in [*places, (VACUUM, PLANT, 11, 1)]:
        (row,) = rows((stream, stall, t_ns, 100.0, first, count))
        assert lay_row(g, row, values, t_ns, AT) == 0
    planes, plant, tubes = taken(g, AT, 1)
    assert planes[:, 0, 0].tolist() == [10.5, 14.0, 16.5, 18.5]
    assert (tubes[0, 0, [0, 3]].tolist(), plant.tolist()) == ([11.0, 13.0], [21.0])
    assert not g.total.any()


def laid(
    *frames: tuple[int, int, int, float, int, int], g: Grid | None = None, **rules: Any
) -> tuple[Grid, Place]:
    """Lay frames of ones on a grid open from AT on."""
    g = g or grid()
    place = lay_rows(g, rows(*frames), np.ones(400), Place(0, AT, 0, 0, 0), RULES._replace(**rules))
    return g, Place(*place)


def test_rows_in_order_are_laid_and_their_bins_closed() -> None:
    """Both stalls have spoken up to half a second: ten bins are closed, two frames of vacuum taken."""
    t_ns = AT * BIN_NS
    known = grid()
    known.waited[VACUUM, :2], known.covered[VACUUM, :2] = True, t_ns
    frames = [(VACUUM, 1, t_ns, 100.0, 0, 50), (FLOW, 1, t_ns, 1.0, 0, 1), (VACUUM, 2, t_ns, 100.0, 0, 50)]
    g, place = laid(*frames, g=known)
    assert place == Place(3, AT + 10, 0, 2, 0)
    assert g.covered[VACUUM, :2].tolist() == [t_ns + S // 2] * 2
    assert g.covered[FLOW, 0] == t_ns + S
    assert g.waited[VACUUM, :2].all()
    assert g.heard[FLOW, 0]
    assert laid((VACUUM, 1, t_ns, 100.0, 0, 50), every=2)[1] == Place(1, AT, 1, 1, 0)


def test_a_row_that_needs_a_decision_stops_the_run() -> None:
    """A cow, one that ends before the open bin, one beyond the span; and enough closed bins."""
    t_ns = AT * BIN_NS
    good = (VACUUM, 1, t_ns, 100.0, 0, 50)
    odd = [(COW, 1, t_ns, 0.0, 0, 0), (VACUUM, 1, t_ns - S // 2, 100.0, 0, 50)]
    odd += [(VACUUM, 1, t_ns + (SPAN - 11) * BIN_NS, 100.0, 0, 50)]
    for row in odd:
        assert laid(row, good)[1].at == 0
    assert laid((VACUUM, 1, t_ns + (SPAN - 12) * BIN_NS, 100.0, 0, 50))[1].at == 1
    assert laid((VACUUM, 1, t_ns - S // 2 + 1, 100.0, 0, 50))[1].at == 1
    frames = [(VACUUM, 1, t_ns + k * S // 2, 100.0, 0, 50) for k in range(4)]
    assert laid(*frames, most=20)[1].at == 2
    half = laid((VACUUM, 1, t_ns - S // 4, 100.0, 0, 50))[1]
    assert (half.lost, half.accepted) == (25, 1)
    closed = lay_rows(grid(), rows(good), np.ones(50), Place(0, -1, 0, 0, 0), RULES)
    assert Place(*closed).at == 0


def test_an_odd_stream_is_forgiven_by_a_row_in_order() -> None:
    """Its count of strays begins anew, and older data do not take its end back."""
    t_ns, g = AT * BIN_NS, grid()
    g.stray[VACUUM, 0], g.covered[VACUUM, 0] = 9, t_ns + 9 * S
    laid((VACUUM, 1, t_ns, 100.0, 0, 50), g=g)
    assert (g.stray[VACUUM, 0], g.covered[VACUUM, 0]) == (0, t_ns + 9 * S)


def covering(*ends_s: float, heard: int | None = None) -> Grid:
    """Return a grid whose stalls have sent vacuum up to these seconds, all waited for."""
    g = grid(len(ends_s))
    for column, end_s in enumerate(ends_s):
        g.covered[VACUUM, column] = round(end_s * S)
        g.heard[VACUUM, column] = heard is None or column < heard
        g.waited[VACUUM, column] = True
    return g


def test_bins_are_closed_up_to_the_least_stream_within_the_patience() -> None:
    """One that lags by more than four seconds behind most is left behind; the open bin never goes back."""
    assert closed_bin(covering(60.0, 58.0, 56.1), AT, RULES) == 1_122
    late = covering(60.0, 59.0, 50.0)
    assert closed_bin(late, AT, RULES) == 1_180
    assert late.waited[VACUUM].tolist() == [True, True, False, False]
    assert closed_bin(covering(20.0, 20.0), AT, RULES) == AT
    assert closed_bin(grid(), AT, RULES) == AT


def test_a_stream_far_ahead_moves_the_others_clock_by_the_horizon_only() -> None:
    """The middle says who lags, unless the newest is more than the horizon ahead of it."""
    ahead = covering(100.0, 60.0, 57.0)
    assert closed_bin(ahead, AT, RULES) == 2_000
    assert ahead.waited[VACUUM, 1:3].tolist() == [False, False]
    near = covering(79.0, 60.0, 57.0)
    assert closed_bin(near, AT, RULES) == 1_140
    assert near.waited[VACUUM, :3].all()


def test_while_readings_are_set_aside_time_may_have_to_jump() -> None:
    """Then nothing is closed unless most have gone on."""
    pending = RULES._replace(pending=True)
    assert closed_bin(covering(60.0, 50.0, 50.0), AT, pending) == AT
    assert closed_bin(covering(60.0, 60.0, 58.0), AT, pending) == 1_160


def test_when_everyone_waited_for_is_left_behind_time_goes_on() -> None:
    """Only a lagging stream is waited for: bins are closed up to where it is given up."""
    g = covering(60.0, 60.0, 50.0)
    g.waited[VACUUM, :2] = False
    assert closed_bin(g, AT, RULES) == 1_120


def test_the_least_of_those_waited_for() -> None:
    """Over all streams; nobody is -1."""
    g = covering(60.0, 58.0)
    assert least_waited(g) == 58 * S
    g.covered[FLOW, 1], g.waited[FLOW, 1] = 57 * S, True
    assert least_waited(g) == 57 * S
    g.waited[:] = False
    assert least_waited(g) == -1


def test_the_middle_and_the_newest_of_the_vacuum_heard() -> None:
    """The lower median; without vacuum of all data; of nothing -1."""
    assert middle_and_newest(covering(60.0, 58.0, 50.0)) == (58 * S, 60 * S)
    assert middle_and_newest(covering(60.0, 58.0, 50.0, 40.0)) == (50 * S, 60 * S)
    g = covering(60.0, 58.0, heard=1)
    g.covered[FLOW, 1], g.heard[FLOW, 1] = 70 * S, True
    assert middle_and_newest(g) == (60 * S, 60 * S)
    g.heard[VACUUM] = False
    assert middle_and_newest(g) == (70 * S, 70 * S)
    assert middle_and_newest(grid()) == (-1, -1)
