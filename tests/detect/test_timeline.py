"""The grid of bins: what is waited for, what is late, and whose clock is doubted."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from detect.batch import VACUUM
from detect.grid import ROWS
from detect.kinds import Channel
from detect.params import BIN_NS, TimelineParams
from detect.readings import MilkFlow, Reading, StallVacuum
from detect.timeline import Timeline
from tests.detect.scripted import START_NS, S, at_s

START_BIN = START_NS // BIN_NS


def frame(stall: int, at_s_: float, *, kpa: float = 40.0, length_s: float = 0.5) -> StallVacuum:
    """Return a frame of vacuum at a second of the script."""
    samples = np.full(round(100 * length_s), kpa)
    return StallVacuum(stall, START_NS + round(at_s_ * S), 100.0, samples)


def fed(readings: list[StallVacuum], stalls: int = 3) -> Timeline:
    """Return a timeline that has taken the readings and closed what could be closed, after each."""
    line = Timeline(stalls, TimelineParams())
    for reading in readings:
        take(line, reading)
    return line


def take(line: Timeline, reading: Reading) -> None:
    """Add one reading and take the bins it closes."""
    line.add(reading)
    while 0 <= line.done_bin < (end := line.closed_bin()):
        line.take(min(end, line.done_bin + 200))


def closed_s(line: Timeline) -> float:
    """Return the second of the script up to which bins are closed."""
    return at_s(line.done_bin * BIN_NS)


def running(seconds: float, *, without: int | None = None) -> list[StallVacuum]:
    """Return three stalls' frames in order."""
    ticks = range(round(2 * seconds))
    return [frame(stall, 0.5 * k) for k in ticks for stall in (1, 2, 3) if stall != without]


def test_a_bin_is_closed_when_every_stream_has_passed_it() -> None:
    """Two stalls at 10 s and one at 9 s close the bins up to 9 s."""
    line = fed([*running(9.0), *(frame(s, 9.0 + 0.5 * k) for k in range(2) for s in (1, 2))])
    assert closed_s(line) == pytest.approx(9.0)


def test_samples_fall_into_the_bin_of_their_own_time() -> None:
    """Five samples of 100 Hz make one bin, their mean its value; a bin without samples is no data."""
    line = Timeline(1, TimelineParams())
    samples = np.arange(20.0)
    line.add(StallVacuum(1, START_NS, 100.0, samples))
    bins = line.take(START_BIN + 5)
    first = START_BIN - bins.first_bin
    assert bins.kpa[first : first + 4, 0] == pytest.approx([2.0, 7.0, 12.0, 17.0])
    assert np.isnan(bins.kpa[first + 4, 0])
    assert np.isnan(bins.kpa[:first, 0]).all()


def test_a_late_reading_is_counted_and_dropped() -> None:
    """A frame whose bins are closed changes nothing but the count."""
    line = fed(running(10.0))
    before = closed_s(line)
    take(line, frame(2, 3.0))
    assert line.counters["late_samples"] == 1
    assert closed_s(line) == before


def test_only_the_late_part_of_a_frame_is_lost() -> None:
    """Of a frame that lies half before the closed bins, the samples after them are used."""
    line = fed(running(10.0))
    line.add(frame(1, closed_s(line) - 0.25, kpa=33.0))
    assert line.counters["late_samples"] == 25
    assert np.nanmax(line.take(line.done_bin + 5).kpa[:, 0]) == 33.0


def test_a_stream_that_stays_silent_is_left_behind_after_the_patience() -> None:
    """Two stalls go on; after four seconds the third is no longer waited for."""
    line = fed(running(10.0))
    ahead = [frame(s, 10.0 + 0.5 * k) for k in range(40) for s in (1, 2)]
    for reading in ahead[:14]:
        take(line, reading)
    assert closed_s(line) == pytest.approx(10.0)
    for reading in ahead[14:]:
        take(line, reading)
    assert closed_s(line) == pytest.approx(30.0, abs=0.5)
    assert line.counters["late_samples"] == 0


def test_a_stream_that_comes_back_is_waited_for_again() -> None:
    """After a silence the third stall's frames are used, and waited for as before."""
    line = fed([*running(10.0), *(frame(s, 10.0 + 0.5 * k) for k in range(40) for s in (1, 2))])
    for k in range(4):
        take(line, frame(3, 30.0 + 0.5 * k))
    for k in range(6):
        for stall in (1, 2):
            take(line, frame(stall, 30.0 + 0.5 * k))
    assert closed_s(line) == pytest.approx(32.0)
    assert line.counters["late_samples"] == 0


def test_an_hour_of_silence_of_the_whole_parlor_loses_nothing() -> None:
    """When all streams go on an hour later, looked at once a round, every sample is laid."""
    line = fed(running(10.0))
    later = [replace(r, t_ns=r.t_ns + 3600 * S) for r in running(60.0)]
    laid = 0
    for index, reading in enumerate(later, start=1):
        line.add(reading)
        while index % 3 == 0 and line.done_bin < (end := line.closed_bin()):
            bins = line.take(min(end, line.done_bin + 200))
            laid += int(np.isfinite(bins.kpa).sum()) if at_s(bins.first_bin * BIN_NS) > 3000.0 else 0
    laid += int(np.isfinite(line.take(line.end_bin()).kpa).sum())
    assert laid == 3 * 60 * 20
    assert (line.counters["late_samples"], line.counters["clock_shifts"]) == (0, 0)


@pytest.mark.parametrize("jump_s", [3600.0, -3600.0], ids=["ahead", "back"])
def test_one_clock_that_jumps_is_shifted_and_counted(jump_s: float) -> None:
    """One of three clocks jumps by an hour: the parlor goes on, and that stall after a while."""
    line = fed(running(10.0))
    for k in range(240):
        for stall in (1, 2, 3):
            take(line, frame(stall, 10.0 + 0.5 * k + (jump_s if stall == 2 else 0.0)))
    assert closed_s(line) == pytest.approx(130.0, abs=5.0)
    assert line.counters["clock_shifts"] == 1
    lost = line.counters["late_samples"] + line.counters["ahead_readings"]
    assert 0 < lost <= 2 * TimelineParams().doubt_readings
    assert at_s(int(line.grid.covered[VACUUM, 1])) == pytest.approx(130.0, abs=5.0)


def test_one_frame_from_the_future_moves_nobody() -> None:
    """A single wrong time stamp is set aside and then given up, and counted."""
    line = fed(running(10.0))
    take(line, frame(2, 7200.0))
    for reading in (replace(r, t_ns=r.t_ns + 10 * S) for r in running(20.0)):
        take(line, reading)
    take(line, frame(2, 7300.0))
    for reading in (replace(r, t_ns=r.t_ns + 30 * S) for r in running(5.0)):
        take(line, reading)
    assert closed_s(line) == pytest.approx(35.0, abs=0.6)
    assert line.counters["clock_shifts"] == 0
    assert line.counters["ahead_readings"] >= 1


def test_quarter_sensors_are_not_mixed_with_the_claw() -> None:
    """A frame of one quarter leaves the claw's vacuum alone and stands in its own column."""
    line = Timeline(1, TimelineParams())
    line.add(replace(frame(1, 0.0, kpa=10.0), channel=Channel.LEFT_REAR))
    line.add(frame(1, 0.0, kpa=40.0))
    taken = line.take(START_BIN + 10)
    assert np.nanmin(taken.kpa) == 40.0
    assert np.nanmax(taken.tubes[:, 0, 2]) == 10.0
    assert np.isnan(taken.tubes[:, 0, [0, 1, 3]]).all()


def test_without_quarter_sensors_there_is_no_room_for_them() -> None:
    """Parlors that measure claws only carry no empty columns."""
    line = Timeline(1, TimelineParams())
    line.add(frame(1, 0.0, kpa=40.0))
    assert line.take(START_BIN + 10).tubes.shape[2] == 0


def test_the_grid_is_bounded() -> None:
    """However long the record, the same arrays hold it."""
    line = fed(running(10.0))
    shape = line.grid.total.shape
    for reading in (replace(r, t_ns=r.t_ns + 10 * S) for r in running(120.0)):
        take(line, reading)
    assert line.grid.total.shape == shape == (4, ROWS, 4)
    assert line.pending == []


def test_milk_flow_speaks_for_a_second() -> None:
    """The bins after a 1 Hz flow reading do not wait for the next one before their time."""
    line = Timeline(1, TimelineParams())
    for k in range(20):
        take(line, frame(1, 0.5 * k))
        if k % 2 == 0:
            take(line, MilkFlow(1, START_NS + k * S // 2, 2.0))
    assert closed_s(line) == pytest.approx(10.0)


def test_a_grid_begins_four_seconds_before_its_first_reading() -> None:
    """Whoever speaks first is not alone: others within the patience are not late."""
    line = Timeline(2, TimelineParams())
    line.add(StallVacuum(1, START_NS, 100.0, np.ones(50)))
    assert at_s(line.done_bin * BIN_NS) == pytest.approx(-4.0)
    line.add(StallVacuum(2, START_NS - 3 * S, 100.0, np.ones(50)))
    assert line.counters["late_samples"] == 0
    assert line.end_bin() == (START_NS + S // 2) // BIN_NS
