"""An air event from its onset to its row, each function alone on states written by hand."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from detect.foresee import bar
from detect.hear import (
    BEFORE,
    CAUTION,
    CAUTION_KPA,
    ECHO_SHARE,
    GIVE_BACK,
    LAG,
    NONE,
    ONSET,
    OPEN,
    PAUSE,
    SPAN,
    UNLEARNED,
    carry_on,
    hear,
    judge,
    open_event,
    take_in,
)
from detect.opening import FALLEN, air_at
from detect.params import BIN_S
from detect.state import LATE, MILKED, Happening, Now, Opening
from tests.detect.by_hand import (
    NUM,
    QUIET_KPA,
    admitted,
    moment,
    stall,
    told,
    turned,
    write_air,
    write_level,
    write_raw,
)

AT = 10_110
LITRE = BIN_S / 60.0
"""Of one bin of 1 L/min."""


def test_the_three_states_are_the_enum_s() -> None:
    """What the kernel writes is what readers of the state expect."""
    assert (NONE, OPEN, PAUSE) == (Opening.NONE, Opening.OPEN, Opening.PAUSE)


def quiet(air: list[float], **fields: Any) -> Any:
    """Return a listening stall with some air in its newest bins and a fall that began with the last four."""
    s = stall(
        **({"flow_bin": AT, "flow": 2.0, "flow_slow": 1.9, "flow_slower": 1.9, "milked": MILKED} | fields)
    )
    write_level(s, QUIET_KPA)
    write_air(s, air)
    write_raw(s, AT - 40, [QUIET_KPA] * 37 + [36.0, 30.0, 27.0, 26.0])
    return s


FALLING = [7.0] * 40 + [100.0, 150.0, 120.0, 80.0]


def opened(began: int = 4, air: list[float] | None = None, **fields: Any) -> tuple[Any, list[Any]]:
    """Return the stall after an opening of so many bins was found, and what was told."""
    s, now = quiet(FALLING if air is None else air, **fields), moment(AT, sensed=0.25, shared=-0.75)
    open_event(s, began, QUIET_KPA, now)
    return s, told(now)


def test_an_event_begins_where_the_fall_began_with_the_air_since_then() -> None:
    """Of 100, 150 and 120 L/min over the quiet 7 the litres count; the newest bin is left to be followed."""
    s, (h,) = opened(peak_flow=4.0, first_bin=AT - 3_000, tail_before=3.3)
    assert (h["what"], h["from_bin"], h["found_bin"]) == (Happening.AIR_FOUND, AT - 3, AT)
    assert (h["flow"], h["base"]) == (2.0, QUIET_KPA)
    assert (s["ev_ref"], s["ev_peak"]) == (pytest.approx(7.0), 0.0)
    assert s["op_peak"] == pytest.approx(143.0)
    assert s["ev_l"] == pytest.approx((93.0 + 143.0 + 113.0) * LITRE)
    so_far = [s["late_l"][(AT - back) % LATE] / LITRE for back in (3, 2, 1)]
    assert so_far == pytest.approx([93.0, 236.0, 349.0])
    assert (s["ev_on"], s["op_on"], s["ev_found"], s["op_found"], s["ev_last"]) == (
        AT - 3,
        AT - 3,
        AT,
        AT,
        AT,
    )
    assert (s["ev_base"], s["ev_common"], s["ev_pulses"], s["opening"]) == (QUIET_KPA, -0.5, 1, OPEN)
    assert (s["ev_depth"], s["ev_fall"]) == (QUIET_KPA - 0.5 - 27.0, 15.0)
    assert (s["ev_peak_flow"], s["ev_age"], s["ev_tail"], s["ev_milked"]) == (4.0, 2_997, 3.3, MILKED)
    assert (s["ev_flow"], s["ev_rising"], s["ev_low"]) == (2.0, 0, 0)


def test_the_reference_is_the_air_of_the_second_and_a_half_before() -> None:
    """What came in earlier does not count; a unit that is quiet for 0.3 s or less has no reference."""
    s, _ = opened(air=[50.0] * 30 + [7.0] * BEFORE + FALLING[-4:])
    assert s["ev_ref"] == pytest.approx(7.0)
    assert opened(air=[7.0] * 8 + FALLING[-4:])[0]["ev_ref"] == pytest.approx(7.0)
    assert opened(air=[7.0] * 7 + FALLING[-4:])[0]["ev_ref"] == 0.0


def test_an_opening_of_one_bin_has_its_air_still_to_come() -> None:
    """The bin in hand is counted by who follows the event."""
    s, _ = opened(began=1)
    assert (s["ev_l"], s["ev_on"], s["op_peak"]) == (0.0, AT, pytest.approx(80.0 - 2.0 * 0.0 - s["ev_ref"]))


def test_milk_that_rises_and_a_flow_nobody_measures_are_noted() -> None:
    """Five per cent over its slower follower is rising; without a meter the follower stands in."""
    assert opened(flow_slow=2.0)[0]["ev_rising"] == 1
    assert opened(flow_slow=1.98)[0]["ev_rising"] == 0
    assert opened(flow_bin=-1)[0]["ev_flow"] == 1.9


PAUSED = {"opening": PAUSE, "ev_on": AT - 60, "ev_last": AT - 30, "ev_peak": 200.0, "ev_pulses": 1}
PAUSED |= {"ev_ref": 7.0, "ev_base": QUIET_KPA, "ev_l": 1.0, "op_on": AT - 60, "low_run": 3, "quiet_run": 9}


def test_a_further_opening_belongs_to_its_train() -> None:
    """It is one pulse more of the same event, whose start and reference stay; nothing is told anew."""
    s, said = opened(**PAUSED)
    assert said == []
    assert (s["ev_on"], s["op_on"], s["ev_pulses"], s["opening"]) == (AT - 60, AT - 3, 2, OPEN)
    assert (s["ev_ref"], s["quiet_run"], s["low_run"]) == (7.0, 0, 0)
    assert s["ev_l"] == pytest.approx(1.0 + (93.0 + 143.0 + 113.0) * LITRE)


def test_an_echo_of_the_last_opening_is_none() -> None:
    """What reaches less than 15 % of the event's peak is the recovery, and changes nothing."""
    peak = 143.0 / ECHO_SHARE
    assert opened(**(PAUSED | {"ev_peak": 1.02 * peak}))[0]["opening"] == PAUSE
    assert opened(**(PAUSED | {"ev_peak": 0.98 * peak}))[0]["opening"] == OPEN


def test_what_goes_on_after_a_gap_is_the_same_opening() -> None:
    """Torn by missing data it is no pulse more; a start within the gap is not claimed."""
    s, _ = opened(**(PAUSED | {"resume_bin": AT - 2}))
    assert (s["ev_pulses"], s["op_on"], s["low_run"]) == (1, AT - 60, 3)
    s, _ = opened(**(PAUSED | {"resume_bin": AT - 40}))
    assert s["ev_pulses"] == 2
    s, (h,) = opened(resume_bin=AT - 2)
    assert (h["from_bin"], s["ev_on"]) == (AT - 2, AT - 2)


def likeness(size: float) -> Any:
    """Return a quiet stall whose newest innovations look like a fall of three bins ago."""
    s = quiet(FALLING, trace_n=20, taught=10_000, ev_last=AT - 1_000, tail=2.0)
    for j in range(3):
        s["fresh"][18 + j] = -size * s["falls"][0, j]
    return s


def judged(size: float, *, stir: float = 0.0, **fields: Any) -> Any:
    """Return that stall after it was judged."""
    s = likeness(size)
    for name, value in fields.items():
        s[name] = value
    judge(s, moment(AT, stir=stir), NUM)
    return s


def test_what_is_beyond_the_bar_opens_an_event_where_it_began() -> None:
    """A fall over the bar is found and dated three bins back; one below it is none."""
    norm = math.sqrt(1.0 + 0.3**2)
    size = bar(likeness(0.0), NUM) / norm
    s = judged(1.05 * size)
    assert (s["opening"], s["ev_on"], s["ev_score"]) == (OPEN, AT - 2, pytest.approx(1.05 * size * norm))
    assert judged(0.95 * size)["opening"] == NONE
    assert judged(1.05 * size, level_sum=QUIET_KPA * SPAN)["ev_base"] == QUIET_KPA
    assert judged(1.05 * size, air_seen=3)["ev_on"] == AT - 1  # not before the air is known
    assert judged(1.05 * size, opening=OPEN, op_found=AT - 99)["op_on"] == 0


def test_while_the_plant_stirs_a_stall_must_say_more() -> None:
    """Each kPa beyond 0.7 raises the bar by four tenths."""
    size = bar(likeness(0.0), NUM) / math.sqrt(1.0 + 0.3**2)
    assert judged(1.05 * size, stir=CAUTION_KPA)["opening"] == OPEN
    assert judged((1.0 + 0.9 * CAUTION) * size, stir=CAUTION_KPA + 1.0)["opening"] == NONE
    assert judged((1.0 + 1.1 * CAUTION) * size, stir=CAUTION_KPA + 1.0)["opening"] == OPEN


def test_a_further_opening_begins_behind_the_last() -> None:
    """What began while the last one had hardly ended belongs to it."""
    paused = PAUSED | {"ev_peak": 10.0}
    assert judged(40.0, **(paused | {"ev_last": AT - 5}))["opening"] == PAUSE
    assert judged(40.0, **(paused | {"ev_last": AT - 6}))["opening"] == OPEN


def test_scores_are_kept_through_the_give_back() -> None:
    """An event keeps its highest likeness until 0.65 s after its last air; the tail learns outside only."""
    kept = judged(3.0, **(PAUSED | {"ev_last": AT - GIVE_BACK}))
    assert kept["ev_score"] == pytest.approx(3.0 * math.sqrt(1.09))
    assert judged(-3.0, **(PAUSED | {"ev_last": AT - 1}))["ev_rise"] == kept["ev_score"]
    assert judged(3.0, **(PAUSED | {"ev_last": AT - GIVE_BACK - 1}))["ev_score"] == 0.0
    assert judged(3.0)["ev_score"] == 0.0
    assert kept["tail"] == 2.0
    assert judged(1.0)["tail"] < 2.0
    assert judged(1.0, opening=OPEN, op_found=AT - ONSET + 1)["tail"] < 2.0
    assert judged(1.0, opening=OPEN, op_found=AT - ONSET)["tail"] == 2.0


def test_an_opening_that_lasts_becomes_the_baseline() -> None:
    """After 30 s it is told and the level begins anew, but not of a unit that lies open."""
    long = {
        "opening": OPEN,
        "op_on": AT - NUM.longest_bins - 1,
        "ev_base": QUIET_KPA,
        "ev_ref": 7.0,
        "seen": 90,
    }
    s = quiet(FALLING, **long)
    assert not carry_on(s, 60.0, moment(AT), NUM)
    assert (s["opening"], s["seen"], s["air_seen"]) == (NONE, 0, 0)
    assert carry_on(quiet(FALLING, **(long | {"op_on": AT - NUM.longest_bins})), 60.0, moment(AT), NUM)
    low = quiet(FALLING, **(long | {"low_run": FALLEN}))
    assert carry_on(low, 60.0, moment(AT), NUM)
    assert low["opening"] == OPEN


def test_a_train_ends_five_seconds_after_its_last_air() -> None:
    """Until 0.6 s after the reseal the claw gives back what it took; after 5 s the event is told."""
    s = quiet(FALLING, **(PAUSED | {"ev_last": AT - GIVE_BACK + 1}))
    assert carry_on(s, 1.0, moment(AT), NUM)
    assert s["ev_l"] == pytest.approx(1.0 - 6.0 * LITRE)
    s = quiet(FALLING, **(PAUSED | {"ev_last": AT - GIVE_BACK}))
    carry_on(s, 1.0, moment(AT), NUM)
    assert (s["ev_l"], s["opening"]) == (1.0, PAUSE)
    s = quiet(FALLING, **(PAUSED | {"ev_last": AT - NUM.train_bins}))
    carry_on(s, 1.0, moment(AT), NUM)
    assert s["opening"] == PAUSE
    carry_on(s, 1.0, moment(AT + 1), NUM)
    assert s["opening"] == NONE


def hear_bin(s: Any, now: Now) -> None:
    """Let a stall hear what it left over in this bin."""
    hear(s, admitted(s, *take_in(s, turned(now, s), NUM)), now, NUM)


def heard(**fields: Any) -> Any:
    """Return a listening stall after one bin at its baseline."""
    known = {"now_level": 41.5, "hold_until": -1, "told": 1, "calm_run": 90, "trace_n": 90}
    s = quiet([7.0] * 50, **(known | {"ev_last": AT - 1_000} | fields))
    s["rest"] = fields.get("rest", -0.5)
    hear_bin(s, moment(AT))
    return s


def test_quiet_bins_make_the_baseline_and_teach() -> None:
    """Each one adds its own level; six seconds after an event what is quiet teaches the forecast again."""
    s = heard()
    assert (s["seen"], s["level"][60], s["taught"]) == (61, 41.5, 1)
    assert heard(ev_last=AT - UNLEARNED)["taught"] == 0
    assert heard(ev_last=AT - UNLEARNED - 1)["taught"] == 1
    assert heard(milked=0)["taught"] == 0
    assert heard(milked=0, flow_bin=-1)["taught"] == 1


def test_an_event_does_not_become_its_own_baseline() -> None:
    """While the baseline is held the level of before is written again, and little air is taken as quiet."""
    s = heard(hold_until=AT + 1, ev_base=40.0, ev_ref=30.0)
    assert (s["level"][60], s["taught"], air_at(s, 0, 0.0)) == (40.0, 0, pytest.approx(30.0))
    s = heard(opening=OPEN, ev_base=40.0, ev_ref=3.0, op_on=AT - 9, op_found=AT - 9, op_peak=9.0)
    assert (s["level"][60], air_at(s, 0, 0.0)) == (40.0, pytest.approx(s["ev_ref"]))
    assert heard(hold_until=AT)["level"][60] == 41.5


@pytest.mark.parametrize(("bins", "judges"), [(1, False), (2, True)])
def test_the_first_two_bins_of_air_are_not_judged(bins: int, judges: bool) -> None:
    """Nothing is compared before there is something to compare with."""
    s = likeness(40.0)
    s["air_seen"], s["rest"], s["now_level"], s["hold_until"] = bins, 0.0, 41.5, -1
    hear_bin(s, moment(AT))
    assert bool(s["now_score"] > 0.0) is judges
    assert (LAG + SPAN, s["seen"]) == (46, 61)
    assert np.isfinite(s["ev_l"])
