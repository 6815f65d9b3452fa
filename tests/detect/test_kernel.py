"""What the plant does, dips, gaps and the order of a bin: each function of the kernel alone."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from detect.drain import watch_drain
from detect.hear import LAG, OPEN, SPAN
from detect.kernel import (
    HANGING_SHARE,
    PLANT_CLOSED,
    PLANT_SLOW_S,
    PLANT_TRUST,
    SHARED_NOISE_KPA,
    admit_all,
    sensed_signal,
    shared_news,
    shared_signal,
    take_bin,
    watch_plant,
    work_bin,
)
from detect.params import BIN_S
from detect.state import PLANT_DTYPE, Happening, Opening, new_stalls
from detect.tubes import lift_tube, new_tubes, rest_tube
from tests.detect.by_hand import NUM, QUIET_KPA, admitted, moment, record, stall, told, write_level

AT = 10_110


def plant(**fields: Any) -> Any:
    """Return a vacuum plant of which only these fields are known."""
    return record(PLANT_DTYPE, **fields)


def test_the_plant_s_fast_part_is_what_its_mean_of_20_s_does_not_hold() -> None:
    """The first reading is the mean; a step fades with its memory of 20 s."""
    p = plant()
    assert sensed_signal(p, 44.0) == 0.0
    steps = [sensed_signal(p, 41.0) for _ in range(400)]
    assert steps[0] == pytest.approx(-3.0, rel=0.01)
    assert steps[-1] == pytest.approx(-3.0 / math.e, rel=0.02)
    assert (p["seen"], p["missing"], PLANT_SLOW_S) == (401, 0, 20.0)


def test_a_silent_sensor_s_last_word_fades_within_a_second() -> None:
    """A bin of silence keeps 95 % of it, for 20 bins; then nothing is known. One word ends the silence."""
    p = plant(seen=9, slow=44.0, sensed=-2.0)
    said = [sensed_signal(p, math.nan) for _ in range(PLANT_TRUST + 2)]
    assert said == pytest.approx([-1.9] * PLANT_TRUST + [0.0, 0.0])
    assert p["missing"] == PLANT_TRUST + 2
    sensed_signal(p, 44.0)
    assert (p["missing"], p["seen"]) == (0, 10)


def units(rests: list[float], **fields: Any) -> Any:
    """Return quiet units that each have something left over in this bin."""
    stalls = new_stalls(len(rests)).view(np.recarray)
    for name, value in ({"ready": 1, "air_seen": 5, "kpa": QUIET_KPA} | fields).items():
        stalls[name] = value
    stalls["rest"], stalls["level_sum"], stalls["seen"] = rests, QUIET_KPA * SPAN, LAG + SPAN
    return stalls


def shared(stalls: Any) -> float:
    """Return what most of them do."""
    return float(shared_signal(stalls, np.empty(len(stalls)), NUM))


def test_what_most_quiet_stalls_do_is_their_median_less_its_noise() -> None:
    """Both ways, and small common motion is noise; under four units nobody is most."""
    assert shared(units([-3.0, -2.0, -9.0, -2.0, 5.0])) == pytest.approx(-2.0 + SHARED_NOISE_KPA)
    assert shared(units([3.0, 2.0, 9.0, 2.0, -5.0])) == pytest.approx(2.0 - SHARED_NOISE_KPA)
    assert shared(units([-0.2] * 5)) == 0.0
    assert shared(units([-2.0] * NUM.fewest, air_seen=1)) != 0.0
    assert shared(units([-2.0] * (NUM.fewest - 1))) == 0.0


@pytest.mark.parametrize(
    ("name", "value"),
    [("ready", 0), ("opening", OPEN), ("air_seen", 0), ("kpa", HANGING_SHARE * QUIET_KPA - 0.1)],
)
def test_a_unit_that_is_not_quiet_says_nothing_about_the_plant(name: str, value: float) -> None:
    """Without its baseline, in an event, just put on or being taken off it does not count."""
    stalls = units([-2.0] * NUM.fewest)
    stalls[name][1] = value
    assert shared(stalls) == 0.0


def test_what_most_quiet_stalls_innovate_is_the_plant_s() -> None:
    """The median of those that were foreseen, are settled and in no event; few stalls share nothing."""
    stalls = units([0.0] * 6, told=1, settled=1)
    stalls["news"] = [-7.0, -5.0, -6.0, 40.0, 40.0, 40.0]
    stalls["told"][3], stalls["settled"][4], stalls["opening"][5] = 0, 0, OPEN
    assert shared_news(stalls, np.empty(6), NUM) == 0.0
    stalls["told"][3] = 1
    assert shared_news(stalls, np.empty(6), NUM) == pytest.approx(-5.5)


def dips(commons: list[float], kpa: list[float] | None = None, **fields: Any) -> list[Any]:
    """Return the plant events of some bins of common vacuum, felt by three units unless said otherwise."""
    stalls = units([0.0] * 3, settled=1, **fields)
    stalls["kpa"] = kpa or [QUIET_KPA - NUM.touched_kpa - 0.1] * 3
    p, now = plant(), moment(AT)
    for k, common in enumerate(commons):
        now = now._replace(bin=AT + k)
        p["common"] = common
        watch_plant(stalls, p, now, NUM)
    return told(now)


BELOW = -NUM.dip_kpa - 0.1


def test_a_dip_is_told_half_a_second_after_it_was_over() -> None:
    """From its first bin to the one after its last, with its deepest and the units that felt it."""
    assert dips([0.0] * 5 + [BELOW] * 4 + [-4.0] + [0.0] * 10) == []
    (h,) = dips([0.0] * 5 + [BELOW] * 4 + [-4.0] + [0.0] * 11)
    assert (h["what"], h["stall"], h["from_bin"], h["to_bin"]) == (PLANT_CLOSED, -1, AT + 5, AT + 10)
    assert (h["depth"], h["flag"]) == (4.0, 3)
    assert PLANT_CLOSED == Happening.PLANT_CLOSED


def test_a_short_or_shallow_dip_or_one_that_nobody_felt_is_none() -> None:
    """Three bins are needed, and a unit that fell by a kPa; each dip counts for itself."""
    over = [0.0] * 12
    assert dips([BELOW] * 2 + over) == []
    assert len(dips([BELOW] * 3 + over)) == 1
    assert dips([-NUM.dip_kpa + 0.1] * 9 + over) == []
    assert dips([BELOW] * 9 + over, kpa=[QUIET_KPA - NUM.touched_kpa + 0.1] * 3) == []
    assert [h["flag"] for h in dips([BELOW] * 9 + over, kpa=[QUIET_KPA, 30.0, 30.0])] == [2]
    assert dips([BELOW] * 9 + over, seen=5) != []
    assert dips([BELOW] * 2 + over + [BELOW] * 2 + over) == []
    assert len(dips([-9.0] * 3 + over + [BELOW] * 3 + over)) == 2
    assert dips([-9.0] * 3 + over + [BELOW] * 3 + over)[1]["depth"] == pytest.approx(-BELOW)


def test_a_bin_that_was_no_dip_is_forgotten() -> None:
    """The dip after it begins with its own first bin; one unit that felt it is enough."""
    over = [0.0] * 12
    (h,) = dips([-9.0, *over, *[BELOW] * 3, *over], kpa=[QUIET_KPA, QUIET_KPA, 30.0])
    assert (h["from_bin"], h["to_bin"], h["flag"]) == (AT + 13, AT + 16, 1)
    assert h["depth"] == pytest.approx(-BELOW)


def test_units_that_are_not_listened_to_feel_no_dip() -> None:
    """Unsettled ones, and those without a baseline."""
    stalls = units([0.0] * 2, kpa=30.0)
    p = plant(common=BELOW)
    watch_plant(stalls, p, moment(AT), NUM)
    assert p["dip_touched"] == 0
    stalls["settled"] = 1
    stalls["seen"][0] = LAG + SPAN - 1
    watch_plant(stalls, p, moment(AT + 1), NUM)
    assert p["dip_touched"] == 1


def test_a_bin_is_taken_into_raw_forecast_and_rest() -> None:
    """A settled unit's rest is known; an unsettled one has none; a missing bin is counted."""
    s = stall(attached=1, settled=1, trace_n=1, trace_level=42.0, resume_bin=-1)
    write_level(s, QUIET_KPA)
    take_bin(s, 41.0, 2.5, moment(AT, sensed=-0.4), NUM)
    assert (s["kpa"], s["raw"][AT & 127], s["ready"], s["flow"]) == (41.0, 41.0, 1, 2.5)
    assert s["rest"] == pytest.approx(41.4 - QUIET_KPA)
    assert (s["trace_n"], s["step"][1]) == (2, pytest.approx(41.4 - 42.0))
    assert s["pulse_phase"] == pytest.approx(2.0 * math.pi * BIN_S)
    take_bin(s, math.nan, math.nan, moment(AT + 1), NUM)
    assert (s["ready"], s["missing"], s["kpa"], s["flow"]) == (0, 1, 41.0, 2.5)
    s["settled"] = 0
    take_bin(s, 41.0, math.nan, moment(AT + 2), NUM)
    assert (s["ready"], s["missing"]) == (0, 0)
    empty = stall(attached=0, settled=0)
    take_bin(empty, 0.3, math.nan, moment(AT), NUM)
    assert (empty["trace_n"], empty["kpa"], empty["ready"]) == (0, 0.3, 0)


def test_a_bin_is_worked_by_what_the_unit_is_at() -> None:
    """A ready one is heard, an unsettled one settles, a missing one does neither; milk is counted always."""
    known = {
        "attached": 1,
        "open": 1,
        "kpa": QUIET_KPA,
        "told": 1,
        "news": 3.0,
        "trace_n": 5,
        "up_bin": AT - 10,
    }
    heard = stall(**known, settled=1, ready=1, opening=Opening.NONE)
    write_level(heard, QUIET_KPA)
    work_bin(heard, 0.0, moment(AT, news=1.0), NUM)
    assert (heard["air_seen"], heard["fresh"][5], heard["on_bins"], heard["high_bin"]) == (1, 2.0, 1, AT)
    settling = stall(**known)
    work_bin(settling, 0.0, moment(AT, sensed=-0.5), NUM)
    assert (settling["seen"], settling["level"][0], settling["air_seen"]) == (1, QUIET_KPA + 0.5, 0)
    off = stall(**(known | {"attached": 0, "up_bin": AT - 9_000}))
    work_bin(off, 0.0, moment(AT), NUM)
    assert (off["seen"], off["settled"], off["cup_last"]) == (0, 0, AT)
    missing = stall(**known, missing=2)
    work_bin(missing, 0.0, moment(AT), NUM)
    assert (missing["seen"], missing["high_bin"], missing["on_bins"], missing["data_bins"]) == (0, 0, 1, 0)
    assert (missing["drain"]["was_on"], missing["drain"]["level"]) == (1, 0.0)


def test_the_air_of_all_that_are_ready_is_found_together() -> None:
    """One that does not hang lies between two that do, and each gets its own."""
    known = {"attached": 1, "settled": 1, "air_seen": 5, "flow_bin": AT, "flow_slow": 2.0}
    row = new_stalls(3).view(np.recarray)
    for k, fall_kpa in enumerate((4.0, 0.0, 9.0)):
        for name, value in (known | {"ready": k != 1, "rest": -fall_kpa, "hold_until": AT + 9}).items():
            row[name][k] = value
        write_level(row[k], QUIET_KPA)
        rest_tube(row[k], QUIET_KPA, NUM.claw)
    alone = row.copy()
    tubes = new_tubes(3)
    admit_all(row, tubes, moment(AT), NUM)
    together = [lift_tube(tubes, 0, row[0]), lift_tube(tubes, 1, row[2])]
    assert together == [admitted(alone[k], 4.0 + 5.0 * (k > 0), QUIET_KPA) for k in (0, 2)]
    assert together[1] > together[0] > 15.0


def test_a_take_off_is_read_against_the_atmosphere_of_the_site() -> None:
    """The ramp of a drained claw gives the rate that it has at this pressure, in kPa."""
    gone = {"was_on": 1, "level": 42.0}
    fields = {"on_bin": AT - 900, "off_bin": AT, "resume_bin": -1, "missing": 1}
    drained = []
    for by_kernel in (True, False):
        s = stall(**fields)
        s["raw"][[b & 127 for b in range(AT - 30, AT + 1)]] = [42.0] * 4 + [42.0 - 1.2 * k for k in range(27)]
        for name, value in gone.items():
            s["drain"][name] = value
        if by_kernel:
            work_bin(s, 0.0, moment(AT + 1), NUM)
        else:
            watch_drain(s, AT + 1, 101.325)
        drained.append((float(s["drain"]["rate"]), int(s["drain"]["n"])))
    assert drained[0] == (pytest.approx(drained[1][0], rel=1e-9), 1)
    assert drained[0][0] > 0.0
