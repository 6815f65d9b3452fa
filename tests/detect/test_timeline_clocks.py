"""Readings that do not fit: late ones, ones far ahead, clocks that are wrong, silences that end."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from detect.batch import ARM, FLOW, STREAMS, VACUUM, ReadingBatch
from detect.errors import ParameterError
from detect.grid import PLANES, ROWS, SPAN
from detect.kinds import Channel
from detect.params import BIN_NS, TimelineParams
from detect.readings import ArmPosition, CowAtStall, MilkFlow, PlantVacuum, Reading, StallVacuum
from detect.timeline import MOST_PENDING, Timeline

S = 10**9
AT = 40_000
"""The first open bin, 2000 s."""
HALF = 10
"""Bins of a frame."""
PATIENCE, DOUBT = 80, TimelineParams().doubt_readings
AHEAD = AT + 20_000
"""A bin far beyond the span."""


def frame(stall: int, from_bin: int, kpa: float = 40.0) -> StallVacuum:
    """Return half a second of vacuum, one sample a bin."""
    return StallVacuum(stall, from_bin * BIN_NS, 20.0, np.full(HALF, kpa))


def begun(stalls: int = 3) -> Timeline:
    """Return a timeline that is open from AT on; all stalls have sent their vacuum up to there."""
    line = Timeline(stalls, TimelineParams())
    line.done_bin = AT
    line.grid.waited[:] = False
    line.grid.covered[:] = -1
    line.grid.covered[VACUUM, :stalls] = AT * BIN_NS
    line.grid.heard[VACUUM, :stalls] = line.grid.waited[VACUUM, :stalls] = True
    return line


def stray(line: Timeline) -> list[int]:
    """Return of each stall how many readings of vacuum in a row did not fit."""
    return [int(n) for n in line.grid.stray[VACUUM, : line.stalls]]


def kpa_of(line: Timeline, stall: int, at_bin: int) -> float:
    """Return the mean of a bin as it lies on the grid."""
    row = at_bin % ROWS
    number = line.grid.number[VACUUM, row, stall - 1]
    return float(line.grid.total[VACUUM, row, stall - 1] / number) if number else float("nan")


@pytest.mark.parametrize(("bins_late", "again"), [(0, True), (PATIENCE - 1, True), (PATIENCE, False)])
def test_a_stream_that_is_only_just_late_is_waited_for_again(bins_late: int, again: bool) -> None:
    """Its frame is lost and counted, but the next may fit; one later than the patience changes nothing."""
    line = begun()
    line.grid.waited[VACUUM, 1], line.grid.covered[VACUUM, 1] = False, (AT - 200) * BIN_NS
    line.grid.stray[VACUUM, 1] = 3
    line.add(frame(2, AT - HALF - bins_late))
    assert line.counters == {"late_samples": 1, "ahead_readings": 0, "clock_shifts": 0}
    assert stray(line) == ([0, 0, 0] if again else [0, 4, 0])
    assert bool(line.grid.waited[VACUUM, 1]) is again
    ends = AT - bins_late if again else AT - 200
    assert line.grid.covered[VACUUM, 1] == ends * BIN_NS
    assert not line.grid.number.any()


def test_a_late_frame_takes_the_end_of_its_stream_not_back() -> None:
    """What was sent before it reaches further."""
    line = begun()
    line.grid.covered[VACUUM, 1] = (AT + 5) * BIN_NS
    line.add(frame(2, AT - HALF - 2))
    assert line.grid.covered[VACUUM, 1] == (AT + 5) * BIN_NS


def test_a_clock_set_back_is_shifted_after_forty_readings() -> None:
    """To half the patience after the first open bin; from then on its frames fit and none is lost."""
    line = begun()
    for k in range(DOUBT - 1):
        line.add(frame(2, AT - 9_000 + HALF * k))
    assert (stray(line), line.counters["clock_shifts"]) == ([0, DOUBT - 1, 0], 0)
    assert not line.grid.offset.any()
    last = AT - 9_000 + HALF * (DOUBT - 1)
    line.add(frame(2, last))
    assert (stray(line), line.counters["clock_shifts"]) == ([0, 0, 0], 1)
    assert line.counters["late_samples"] == DOUBT
    assert line.grid.covered[VACUUM, 1] == -1
    line.add(frame(2, last + HALF, kpa=33.0))
    assert line.counters["late_samples"] == DOUBT
    begins = AT + 1 + PATIENCE // 2
    assert [kpa_of(line, 2, b) for b in (begins, begins + HALF - 1)] == [33.0, 33.0]
    assert np.isnan([kpa_of(line, 2, begins - 1), kpa_of(line, 2, begins + HALF)]).all()
    assert line.grid.offset[VACUUM].tolist() == [0, (begins - last - HALF) * BIN_NS, 0, 0]


def test_a_clock_shifted_twice_is_shifted_by_both() -> None:
    """The second time by what is left."""
    line = begun()
    for base in (AT - 9_000, AT - 20_000):
        for k in range(DOUBT):
            line.add(frame(2, base + HALF * k))
    assert line.counters["clock_shifts"] == 2
    last = AT - 20_000 + HALF * (DOUBT - 1)
    line.add(frame(2, last + HALF, kpa=33.0))
    assert kpa_of(line, 2, AT + 1 + PATIENCE // 2) == 33.0


def test_one_stream_ahead_is_set_aside_while_the_others_go_on() -> None:
    """It moves no time: bins are closed no further, nothing is counted yet."""
    line = begun()
    line.add(frame(2, AHEAD))
    assert ([r.t_ns for r in line.pending], stray(line)) == ([AHEAD * BIN_NS], [0, 1, 0])
    assert (line.jump_bin, line.closed_bin(), line.counters["ahead_readings"]) == (-1, AT, 0)


def test_when_most_streams_are_ahead_the_parlor_was_silent() -> None:
    """Two of three: time jumps to just before the earliest of what was set aside, and lays it."""
    line = begun()
    line.grid.covered[FLOW, 0], line.grid.heard[FLOW, 0] = AT * BIN_NS, True
    line.add(frame(2, AHEAD + 6, kpa=32.0))
    line.add(frame(1, AHEAD, kpa=31.0))
    assert line.jump_bin == line.closed_bin() == AHEAD - 1
    line.take(AHEAD - 2)
    assert (line.jump_bin, len(line.pending)) == (AHEAD - 1, 2)
    line.take(AHEAD - 1)
    assert (line.jump_bin, line.pending, line.done_bin) == (-1, [], AHEAD - 1)
    assert [kpa_of(line, 1, AHEAD), kpa_of(line, 2, AHEAD + 6)] == [31.0, 32.0]
    assert stray(line) == [0, 0, 0]
    assert line.counters == {"late_samples": 0, "ahead_readings": 0, "clock_shifts": 0}
    # Who spoke before the silence is waited for again, from the landing on; who never did is not.
    assert line.grid.covered[VACUUM, 2] == line.grid.covered[FLOW, 0] == (AHEAD - 1) * BIN_NS
    assert line.grid.waited[VACUUM].tolist() == [True, True, True, False]
    assert line.grid.waited[FLOW].tolist() == [True, False, False, False]
    assert line.closed_bin() == AHEAD - 1


def test_half_of_the_streams_are_not_most() -> None:
    """Of two living stalls one ahead moves nothing; the second one does."""
    line = begun(2)
    line.add(frame(1, AHEAD))
    assert line.jump_bin == -1
    line.add(frame(2, AHEAD))
    assert line.jump_bin == AHEAD - 1


@pytest.mark.parametrize("why", ["not waited for", "never heard"])
def test_streams_that_do_not_live_have_no_say(why: str) -> None:
    """Of three stalls two are silent: the one that speaks takes time with it."""
    line = begun()
    (line.grid.waited if why == "not waited for" else line.grid.heard)[VACUUM, 1:] = False
    line.add(frame(1, AHEAD))
    assert line.jump_bin == AHEAD - 1


def test_a_single_stream_ahead_is_believed_in_the_end_when_nobody_contradicts() -> None:
    """Forty readings, and no other vacuum meanwhile: the parlor was silent but for it."""
    line = begun()
    for k in range(DOUBT - 1):
        line.add(frame(2, AHEAD + HALF * k))
    assert line.jump_bin == -1
    line.add(frame(2, AHEAD + HALF * (DOUBT - 1)))
    assert line.jump_bin == AHEAD - 1
    line.take(AHEAD - 1)
    assert kpa_of(line, 2, AHEAD + HALF * DOUBT - 1) == 40.0
    assert line.counters["clock_shifts"] == 0


def test_a_single_clock_ahead_is_shifted_when_the_others_go_on() -> None:
    """Forty readings while other vacuum was laid: it is the clock; what was set aside is given up later."""
    line = begun()
    line.add(frame(2, AHEAD))
    line.add(frame(1, AT))
    for k in range(1, DOUBT):
        line.add(frame(2, AHEAD + HALF * k))
    assert (line.counters["clock_shifts"], line.jump_bin, stray(line)) == (1, -1, [0, 0, 0])
    assert len(line.pending) == DOUBT - 1
    line.add(frame(2, AHEAD + HALF * DOUBT, kpa=33.0))
    assert kpa_of(line, 2, AT + 1 + PATIENCE // 2) == 33.0
    for stall in (1, 3, 1):
        line.add(frame(stall, AT + HALF))
    line.add(frame(3, AHEAD))
    assert (line.counters["ahead_readings"], len(line.pending)) == (DOUBT - 1, 1)


def test_what_was_set_aside_is_given_up_when_the_parlor_goes_on() -> None:
    """More vacuum was laid since than there are stalls, and time goes on without a jump."""
    line = begun()
    line.add(frame(2, AHEAD))
    for k in range(3):
        line.add(frame(1, AT + HALF * k))
    line.add(frame(2, AHEAD + HALF))
    assert (line.counters["ahead_readings"], len(line.pending)) == (0, 2)
    line.add(frame(1, AT + 3 * HALF))
    line.add(frame(3, AHEAD + HALF))
    assert (line.counters["ahead_readings"], len(line.pending)) == (2, 1)
    assert line.jump_bin == AHEAD + HALF - 1  # two of three are ahead, and nothing was laid since


def test_milk_flow_does_not_contradict_a_silence() -> None:
    """Only vacuum counts as laid: a flow meter that goes on keeps no parlor from jumping."""
    line = begun()
    line.add(frame(2, AHEAD))
    line.add(MilkFlow(1, AT * BIN_NS, 2.0))
    line.add(frame(1, AHEAD))
    assert line.jump_bin == AHEAD - 1


def test_what_is_set_aside_is_bounded() -> None:
    """However many wait for a jump that does not come, they are given up together and counted."""
    line = begun()
    line.accepted = 1
    line.pending = [frame(2, AHEAD)] * (MOST_PENDING - 1)
    line.add(frame(2, AHEAD))
    assert (len(line.pending), line.counters["ahead_readings"]) == (MOST_PENDING, 0)
    line.add(frame(2, AHEAD))
    assert (len(line.pending), line.counters["ahead_readings"]) == (0, MOST_PENDING + 1)


def test_while_a_jump_is_due_readings_are_taken_one_by_one() -> None:
    """Those of before the silence still fit, the others join what is set aside; a cow is kept."""
    line = begun()
    batch = [frame(1, AHEAD), frame(2, AHEAD), frame(3, AT), CowAtStall(1, 0, "17"), frame(3, AHEAD)]
    at, open_bin = line.lay(ReadingBatch.of(batch), 0)
    assert (at, open_bin) == (2, AHEAD - 1)
    line.unread = -9
    assert line.lay(ReadingBatch.of(batch), at) == (5, AT)
    assert (len(line.pending), line.cows) == (3, [CowAtStall(1, 0, "17")])
    assert kpa_of(line, 3, AT) == 40.0


def test_announced_cows_are_bounded() -> None:
    """The newest sixteen a stall are kept."""
    line = begun()
    for k in range(60):
        line.add(CowAtStall(1, k, str(k)))
    assert [cow.cow for cow in line.cows] == [str(k) for k in range(12, 60)]


def test_the_first_reading_opens_the_grid_a_patience_before_it() -> None:
    """Whoever has not spoken yet is waited for up to half of that, then left behind."""
    line = Timeline(2, TimelineParams())
    assert (line.done_bin, line.closed_bin()) == (-1, -1)
    line.add(frame(1, AT))
    assert line.done_bin == AT - PATIENCE
    assert line.grid.covered[VACUUM].tolist() == [(AT + HALF) * BIN_NS] + 2 * [(AT - PATIENCE // 2) * BIN_NS]
    assert line.closed_bin() == AT - PATIENCE // 2
    for k in range(1, 5):
        line.add(frame(1, AT + HALF * k))
    assert line.closed_bin() == AT + 5 * HALF


def test_a_cow_does_not_open_the_grid() -> None:
    """Her time may be hours before the first reading."""
    line = Timeline(2, TimelineParams())
    line.add(CowAtStall(1, AT * BIN_NS, "17"))
    assert line.done_bin == -1


def test_a_plant_sends_vacuum_only() -> None:
    """Once all that a parlor has to say is there, nothing more is waited for."""
    line = Timeline(1, TimelineParams())
    one = np.full(HALF, 40.0)
    frames: list[Reading] = [MilkFlow(1, AT * BIN_NS, 2.0), ArmPosition(1, AT * BIN_NS, 10.0, one, one)]
    frames += [StallVacuum(1, AT * BIN_NS, 10.0, one, channel) for channel in Channel]
    for reading in [*frames, PlantVacuum(AT * BIN_NS, 10.0, one)]:
        line.add(reading)
    assert line.closed_bin() == AT + 20
    assert line.grid.waited.sum() == STREAMS + 1


def test_the_end_is_that_of_the_newest_vacuum() -> None:
    """A bin begun counts; other data count where there is no vacuum; and never before the first open bin."""
    line = begun()
    line.grid.covered[FLOW, 0], line.grid.heard[FLOW, 0] = (AT + 90) * BIN_NS, True
    assert line.end_bin() == AT
    line.grid.covered[VACUUM, 1] += 3 * BIN_NS + 1
    assert line.end_bin() == AT + 4
    line.grid.heard[VACUUM] = False
    assert line.end_bin() == AT + 90
    line.done_bin = AT + 100
    assert line.end_bin() == AT + 100


def test_a_stranger_is_refused_by_name() -> None:
    """With the stall and what there is; the reading leaves nothing behind."""
    line = begun()
    with pytest.raises(ParameterError, match=r"stall 4 is outside 1\.\.3"):
        line.add(frame(4, AT))
    assert not line.grid.number.any()


def test_room_for_tubes_is_made_once_and_keeps_what_was_laid() -> None:
    """Four planes more for sums and numbers; a second time changes nothing."""
    line = begun()
    line.add(frame(2, AT, kpa=33.0))
    line.add(StallVacuum(2, AT * BIN_NS, 100.0, np.full(50, 30.0), Channel.LEFT_REAR))
    assert line.grid.total.shape == line.grid.number.shape == (PLANES + 4, ROWS, 4)
    assert line.grid.number.dtype == np.int32
    grid = line.grid
    line.add_tubes()
    assert line.grid is grid
    taken = line.take(AT + HALF)
    assert (taken.kpa[0, 1], taken.tubes[0, 1, 2], taken.tubes.shape) == (33.0, 30.0, (HALF, 3, 4))
    assert np.isnan(taken.tubes[:, 1, [0, 1, 3]]).all()


def test_each_plane_is_taken_as_what_it_is() -> None:
    """Vacuum, flow, angle and cord of the stalls, and the plant's vacuum beside them."""
    line = begun()
    one = np.full(HALF, 1.0)
    for reading in (
        *(frame(1, AT), MilkFlow(1, AT * BIN_NS, 2.5), PlantVacuum(AT * BIN_NS, 20.0, 44.0 * one)),
        ArmPosition(3, AT * BIN_NS, 20.0, 30.0 * one, 200.0 * one),
    ):
        line.add(reading)
    bins = line.take(AT + 4)
    assert (bins.first_bin, line.done_bin, bins.tubes.shape) == (AT, AT + 4, (4, 3, 0))
    assert bins.kpa[:, 0].tolist() == [40.0] * 4
    assert bins.plant_kpa.tolist() == [44.0] * 4
    assert bins.flow[0].tolist()[0] == 2.5
    assert np.isnan(bins.flow[1:]).all()
    assert (bins.angle[3, 2], bins.cord[3, 2]) == (30.0, 200.0)
    assert np.isnan(bins.kpa[:, 1:]).all()
    assert np.isnan(bins.angle[:, :2]).all()
    assert all(plane.flags.c_contiguous for plane in bins[1:])
    assert (VACUUM, FLOW, ARM) == (0, 1, 2)


def odd_stream(seed: int) -> list[Reading]:
    """Return a minute of five stalls with cows, late and early frames, a silence and a clock an hour off."""
    rng = np.random.default_rng(seed)
    readings: list[Reading] = []
    for k in range(120):
        gone = 3_000 if k >= 70 else 0
        for stall in range(1, 6):
            wrong = 72_000 if stall == 4 and k >= 20 else 0
            readings.append(frame(stall, AT + HALF * k + gone + wrong, kpa=float(len(readings))))
        if rng.random() < 0.3:
            odd = AT + HALF * k + gone + int(rng.choice([-300, -15, 900, 5_000]))
            readings.append(frame(int(rng.integers(1, 6)), odd))
        if rng.random() < 0.2:
            readings.append(CowAtStall(int(rng.integers(1, 6)), 0, str(k)))
    return readings


def worked(batches: list[list[Reading]]) -> tuple[dict[int, list[float]], list[object]]:
    """Return the vacuum of all bins that held any, and how the timeline stands in the end."""
    line, seen = Timeline(5, TimelineParams()), dict[int, list[float]]()
    for readings in batches:
        at, batch = 0, ReadingBatch.of(readings)
        while at < len(batch):
            at, open_bin = line.lay(batch, at)
            while 0 <= line.done_bin < open_bin:
                bins = line.take(min(open_bin, line.done_bin + SPAN // 2))
                for k in np.flatnonzero(~np.isnan(bins.kpa).all(axis=1)):
                    seen[bins.first_bin + int(k)] = np.nan_to_num(bins.kpa[k], nan=-1.0).tolist()
    left = [line.counters, line.done_bin, line.unread, line.accepted, line.jump_bin]
    return seen, [*left, len(line.pending), line.cows, *(plane.tobytes() for plane in line.grid)]


@pytest.mark.parametrize("seed", range(3))
def test_framing_moves_no_bin(seed: int) -> None:
    """One by one, in batches of any length and all at once: the same vacuum in the same bins."""
    readings, rng = odd_stream(seed), np.random.default_rng(seed)
    cuts = [0, *sorted(rng.integers(1, len(readings), 40).tolist()), len(readings)]
    single = worked([[reading] for reading in readings])
    assert single == worked([readings])
    assert single == worked([readings[a:b] for a, b in itertools.pairwise(cuts) if b > a])
    counters = single[1][0]
    assert isinstance(counters, dict)
    assert all(counters[name] > 0 for name in counters), counters
    assert len(single[0]) > 300


def test_it_is_looked_each_time_a_quarter_of_the_stalls_has_spoken() -> None:
    """Of nine stalls three readings, also where cows are among them, wherever a batch ends."""
    line = begun(9)
    frames: list[Reading] = [frame(stall, AT) for stall in range(1, 10)]
    frames[4] = CowAtStall(5, 0, "17")
    line.grid.waited[VACUUM, 4] = False
    assert line.lay(ReadingBatch.of(frames[:8]), 0) == (8, AT)
    assert line.unread == 2
    assert line.lay(ReadingBatch.of(frames[8:]), 0) == (1, AT + HALF)
    assert line.unread == 0
