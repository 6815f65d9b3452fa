"""On, settled and off: each function alone on states written by hand."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from detect.hear import LAG, OPEN, SPAN
from detect.unit import (
    ATTACHED,
    CUP_GAP,
    DETACHED,
    FIRST_CUP_KPA,
    HIGH_SHARE,
    LINE_OPEN_KPA,
    LONGEST_PUTTING_ON,
    OPEN_MILKING,
    SURE_SHARE,
    UNKNOWN_QUIET_KPA,
    UNTOLD,
    attach,
    quiet_kpa,
    watch_first_cup,
    watch_settling,
    watch_unit,
)
from tests.detect.by_hand import (
    NUM,
    QUIET_KPA,
    moment,
    stall,
    told,
    write_level,
)

AT = 10_110


def cups(readings: list[tuple[int, float]], **fields: Any) -> Any:
    """Return an empty stall after runs of bins at some vacuum."""
    s, b = stall(**fields), AT
    for bins, kpa in readings:
        for b in range(b, b + bins):  # noqa: B020 - the next run begins where this one ends
            s["kpa"] = kpa
            watch_first_cup(s, b)
        b += 1
    return s


def test_the_first_cup_is_where_the_vacuum_first_rose() -> None:
    """It is remembered while others follow, also through a second without vacuum, and forgotten after 3 s."""
    above, below = FIRST_CUP_KPA + 0.5, FIRST_CUP_KPA - 4.9
    assert cups([(50, below)])["cup_bin"] == -1
    assert cups([(50, below), (30, above)])["cup_bin"] == AT + 50
    assert cups([(50, below), (30, above), (CUP_GAP, below)])["cup_bin"] == AT + 50
    assert cups([(50, below), (30, above), (CUP_GAP + 1, below)])["cup_bin"] == -1


def test_a_cup_that_hangs_open_leaves_more_than_a_shut_line() -> None:
    """Half a kPa over the shut line's reading goes on counting as putting on, for up to 30 s."""
    open_line = 0.8 + LINE_OPEN_KPA + 0.1
    assert cups([(400, 0.8), (20, 12.0), (200, open_line)])["cup_bin"] == AT + 400
    assert cups([(400, 0.8), (20, 12.0), (200, open_line - 0.2)])["cup_bin"] == -1
    long = cups([(400, 0.8), (LONGEST_PUTTING_ON + 20, 12.0)])
    assert long["cup_bin"] == AT + 400 + LONGEST_PUTTING_ON
    assert cups([(400, 0.8), (20, 12.0)], hanging=UNTOLD)["cup_bin"] == -1


def test_the_shut_line_s_reading_is_a_mean_of_two_seconds() -> None:
    """After 2 s it has come 63 % of the way; while cups are put on it stands still."""
    s = cups([(61, 0.0), (40, 1.0)], cup_last=AT)
    assert s["shut_kpa"] == pytest.approx(1.0 - np.exp(-1.0), rel=0.03)
    assert cups([(100, 0.0), (100, 12.0)])["shut_kpa"] == 0.0


def attaching(**fields: Any) -> tuple[Any, Any]:
    """Return a stall that was just put on, and what was told."""
    s = stall(**({"on_run": 10, "cup_bin": AT - 100, "opening": OPEN, "park_n": 3} | fields))
    write_level(s, 30.0)
    now = moment(AT)
    attach(s, now, NUM)
    return s, told(now)


def test_attaching_opens_a_milking_from_the_first_cup() -> None:
    """All of the attachment's state is new; the time since the first cup counts as on."""
    s, (h,) = attaching(seen_off=1, fell_bin=3, linger=9, removal_kpa=12.0, milked=200, trace_n=50)
    assert (h["what"], h["from_bin"], h["flag"], h["value"]) == (ATTACHED, AT - 100, 1, 1)
    assert (s["up_bin"], s["on_bin"], s["cup_bin"], s["high_bin"]) == (AT - 9, AT - 100, -1, AT - 100)
    assert (s["attached"], s["settled"], s["milked"], s["fell_bin"], s["linger"]) == (1, 0, 0, -1, 0)
    assert (s["seen"], s["trace_n"], s["arm_n"], s["open"]) == (0, 0, 0, OPEN_MILKING)
    assert np.isnan(s["removal_kpa"])
    assert (s["on_bins"], s["data_bins"], s["first_bin"]) == (100, 100, AT - 100)


def test_without_a_first_cup_the_milking_begins_when_the_vacuum_is_up() -> None:
    """Ten bins above on: it went on nine bins ago."""
    s, (h,) = attaching(cup_bin=-1)
    assert (h["from_bin"], s["on_bin"], s["on_bins"], s["data_bins"]) == (AT - 9, AT - 9, 9, 9)


def test_an_open_milking_is_gone_on_with() -> None:
    """It keeps its beginning; the time since the first cup went on again counts as on like the rest."""
    s, (h,) = attaching(open=OPEN_MILKING, on_bins=777, data_bins=700, first_bin=5, yield_kg=9.0)
    assert (h["flag"], h["from_bin"], s["first_bin"], s["yield_kg"]) == (0, AT - 100, 5, 9.0)
    assert (s["on_bins"], s["data_bins"]) == (877, 800)


def watched(kpa: float, bins: int, **fields: Any) -> tuple[Any, list[Any]]:
    """Let a stall live through one vacuum and return what was told."""
    s, now = stall(**fields), moment(AT)
    for b in range(AT, AT + bins):
        s["kpa"] = s["raw"][b & 127] = kpa
        now = now._replace(bin=b)
        watch_unit(s, now, NUM)
    return s, told(now)


def test_a_unit_is_on_after_half_a_second_over_its_vacuum() -> None:
    """Nine bins are not enough, and a vacuum at on is none; a stall seen off is known to begin."""
    assert watched(NUM.on_kpa + 0.1, NUM.on_bins - 1)[1] == []
    s, (h,) = watched(NUM.on_kpa + 0.1, NUM.on_bins)
    assert (s["attached"], h["value"]) == (1, 0)
    assert watched(NUM.on_kpa, 50)[1] == []
    assert watched(NUM.off_kpa - 0.1, 1)[0]["seen_off"] == 1
    assert watched(NUM.off_kpa + 0.1, 1)[0]["seen_off"] == 0


def test_an_empty_stall_is_watched_for_its_first_cup_and_for_what_hangs() -> None:
    """The first cup is dated before the unit is on; a fallen one is off once its arm took it away."""
    assert watched(FIRST_CUP_KPA + 0.1, 4, cup_bin=-1)[0]["cup_bin"] == AT
    fallen = {"hanging": 2, "hang_from": AT - 50, "hang_last": AT - 1, "near_park": 1, "parked_bin": AT - 5}
    assert watched(2.0, 1, **fallen)[0]["hanging"] == 0
    assert watched(2.0, 1, **(fallen | {"near_park": 0}))[0]["hanging"] == 2


def test_an_event_under_way_is_no_fall_as_long_as_the_unit_holds() -> None:
    """A slip may last: the unit is off only once its vacuum stays under half, or the milk away."""
    event = {"opening": OPEN, "ev_base": QUIET_KPA, "ev_common": 0.0, "op_on": AT - 10, "ev_on": AT - 10}
    s, said = watched(0.7 * QUIET_KPA, 3, **ON, **event)
    assert (s["attached"], s["hanging"], said) == (1, 0, [])


ON = {"attached": 1, "settled": 1, "on_bin": AT - 2_000, "high_bin": AT - 1, "fell_bin": -1, "open": 1}
LEVEL = {"seen": LAG + SPAN, "level_sum": QUIET_KPA * SPAN}


def test_a_unit_is_off_after_two_and_a_half_seconds_under_off() -> None:
    """It counts as off since the vacuum went; what was counted meanwhile is taken back."""
    low = NUM.off_kpa - 1.0
    assert watched(low, NUM.off_bins - 1, **ON, **LEVEL)[1] == []
    s, (h,) = watched(low, NUM.off_bins, **ON, **LEVEL, on_bins=500, data_bins=400)
    assert (h["what"], h["to_bin"]) == (DETACHED, AT)
    assert (s["attached"], s["settled"], s["off_bin"], s["off_run"]) == (0, 0, AT, 0)
    assert (s["on_bins"], s["data_bins"]) == (500 - NUM.off_bins + 1, 400 - NUM.off_bins + 1)


def test_where_the_vacuum_stands_is_kept_bin_by_bin() -> None:
    """Near quiet resets; below off the first bin is kept; between off and half the bins are counted."""
    high = HIGH_SHARE * QUIET_KPA
    s, _ = watched(high + 0.1, 3, **ON, **LEVEL, linger=4)
    assert (s["high_bin"], s["fell_bin"], s["linger"]) == (AT + 2, -1, 0)
    s, _ = watched(high - 0.1, 3, **ON, **LEVEL, linger=4)
    assert (s["high_bin"], s["fell_bin"], s["linger"]) == (AT - 1, -1, 4)
    s, _ = watched(NUM.off_kpa - 1.0, 3, **ON, **LEVEL)
    assert (s["fell_bin"], s["linger"], s["off_run"]) == (AT, 0, 3)
    s, _ = watched(0.5 * QUIET_KPA - 1.0, 3, **ON, **LEVEL)
    assert (s["fell_bin"], s["linger"], s["off_run"]) == (-1, 3, 0)
    assert watched(0.5 * QUIET_KPA + 1.0, 3, **ON, **LEVEL)[0]["linger"] == 0


def test_an_event_is_sure_only_near_the_quiet_vacuum() -> None:
    """Its figures are kept above 93 % of the quiet vacuum."""
    event = {"opening": OPEN, "ev_base": QUIET_KPA - 1.0, "ev_common": 1.0, "ev_l": 0.7}
    assert watched(SURE_SHARE * QUIET_KPA + 0.1, 1, **ON, **event)[0]["sure_l"] == 0.7
    assert watched(SURE_SHARE * QUIET_KPA - 0.1, 1, **ON, **event)[0]["sure_l"] == 0.0
    assert watched(QUIET_KPA, 1, **ON, **LEVEL, ev_l=0.7)[0]["sure_l"] == 0.0


def test_the_quiet_vacuum_is_the_event_s_or_the_baseline_s() -> None:
    """An open event keeps what was before it; without either an ordinary claw vacuum is taken."""
    assert quiet_kpa(stall(**LEVEL)) == QUIET_KPA
    assert quiet_kpa(stall(**LEVEL, opening=OPEN, ev_base=30.0, ev_common=-2.0)) == 28.0
    assert quiet_kpa(stall(**(LEVEL | {"seen": LAG + SPAN - 1}))) == UNKNOWN_QUIET_KPA


def settling(bins: int, **fields: Any) -> int:
    """Return after how many bins of a vacuum the detector listens, -1 if not by then."""
    wave = fields.pop("wave_kpa", 0.0)
    s = stall(**({"up_bin": AT, "flow_bin": -1} | fields))
    for k in range(bins):
        kpa = QUIET_KPA + wave * (1 if (k // 10) % 2 else -1)
        watch_settling(s, AT + k, kpa, NUM)
        if s["settled"]:
            return k
    return -1


def test_settling_ends_with_two_steady_seconds() -> None:
    """A quiet unit is listened to once its mean is known and held for 2 s; an unsteady one after 25 s."""
    assert settling(400) == max(NUM.settle_min, LAG + 2 * SPAN - 1)
    assert settling(400, wave_kpa=0.9 * NUM.steady_kpa) == max(NUM.settle_min, LAG + 2 * SPAN - 1)
    assert settling(600, wave_kpa=1.1 * NUM.steady_kpa) == NUM.settle_max


def test_settling_waits_for_rising_milk() -> None:
    """With a meter it ends with the first milk, not with what the meter remembers, or after 20 s."""
    early = settling(400, flow_bin=AT, flow=2.0, flow_slow=1.0)
    assert early == settling(400)
    assert settling(600, flow_bin=AT, flow=0.1, flow_slow=0.1) == NUM.settle_dry
    assert settling(600, flow_bin=AT, flow=0.8, flow_slow=1.0) == NUM.settle_dry
