"""What arm and cord show, and how evidence becomes an unsupported stretch."""

from __future__ import annotations

from typing import Any

import pytest

from detect.carry import (
    AT_ONCE_S,
    BACK,
    DRAG,
    FAINT_BINS,
    FAINT_SHARE,
    KEPT,
    LEVEL_LAG,
    LOST_S,
    LOST_USUAL,
    MANY,
    RECOVERED,
    SLACK,
    SWING_LAG,
    UNKNOWN_SHARE,
    close_support,
    decide,
    evidence,
    off_state,
    weigh_support,
)
from detect.params import BIN_S
from detect.state import Happening
from detect.swing import SWING_S
from tests.detect.by_hand import NUM, moment, stall, told

AT = 10_110
WORK, PARK = (24.0, 260.0), (60.0, 30.0)


POSED = {"own_n": 8.0, "own_cord": WORK[1], "own_angle": WORK[0], "angle_mean": WORK[0], "cord_mean": WORK[1]}
USUAL = {"place_n": 8, "place_cord": WORK[1], "place_angle": WORK[0], "cow_scatter": (4.0, 0.0, 400.0)}
UP, LOST = 200.0, LOST_S * LOST_USUAL


@pytest.mark.parametrize(
    ("fields", "share", "shown"),
    [
        ({}, 1.0, 0),
        ({"lost_s": LOST_S + 0.01}, 1.0, SLACK),
        ({"lost_s": LOST_S - 0.01}, 0.0, 0),
        ({**USUAL, "lost_s": LOST - 0.01}, 1.0, 0),
        ({**USUAL, "lost_s": LOST + 0.01}, 1.0, SLACK),
        ({"cord_mean": WORK[1] + 45.0}, 1.45 * NUM.swing_share, SLACK),
        ({"cord_mean": WORK[1] + 45.0}, 1.55 * NUM.swing_share, DRAG),
        ({"cord_mean": WORK[1] + 20.0}, 0.0, 0),
        ({"cord_mean": WORK[1] + 45.0, "own_n": 7.9}, 0.0, 0),
        ({"angle_mean": WORK[0] + 5.0}, 1.0, DRAG),
        ({"angle_mean": WORK[0] - 5.0}, 1.0, DRAG),
        ({"angle_mean": WORK[0] + 2.0}, 1.0, 0),
        ({"angle_mean": WORK[0] + 3.7}, 1.0, 0),
        ({"angle_mean": WORK[0] + 3.7}, 0.0, SLACK),
        ({"own_cord": WORK[1] + UP, "cord_mean": WORK[1] + UP, **USUAL}, 0.0, SLACK),
        ({"own_cord": WORK[1] + UP, "cord_mean": WORK[1] + UP, **USUAL}, 1.0, DRAG),
        ({"own_cord": WORK[1] + UP, "cord_mean": WORK[1] + UP, **USUAL, "place_n": 1}, 0.0, 0),
        ({"own_cord": WORK[1] + 30.0, "cord_mean": WORK[1] + 30.0, **USUAL}, 0.0, 0),
        ({"own_cord": WORK[1] + UP, **USUAL}, 1.0, BACK),
        ({"cord_mean": WORK[1] + 45.0}, 2.1, BACK),
        ({"others_clear": 3.0, "lost_s": 9.0}, RECOVERED + 0.01, 0),
        ({"others_clear": 3.0}, RECOVERED - 0.01, SLACK),
        ({"others_clear": 3.0}, 0.0, SLACK),
        ({"others_clear": 3.0}, -1.0, 0),
        ({"others_clear": 3.0, "astray": SLACK}, KEPT * RECOVERED - 0.01, SLACK),
        ({"others_clear": 3.0, "astray": SLACK}, KEPT * RECOVERED + 0.01, 0),
    ],
)
def test_what_the_arm_shows(fields: dict[str, float], share: float, shown: int) -> None:
    """No beat, or out of place with little of it, is slack; out of place with all of it drags."""
    assert evidence(stall(**(POSED | fields)), share, NUM) == shown


def test_what_was_found_stays_until_the_pose_is_near() -> None:
    """A pose just under the threshold begins nothing and ends nothing."""
    near = {"angle_mean": WORK[0] + 3.7}
    assert evidence(stall(**(POSED | near)), 1.0, NUM) == 0
    assert evidence(stall(**(POSED | near), astray=DRAG), 1.0, NUM) == DRAG
    for off, shown in ((2.0, 0), (3.2, 0), (3.5, DRAG)):
        assert evidence(stall(**(POSED | {"angle_mean": WORK[0] + off}), astray=DRAG), 1.0, NUM) == shown


def test_without_a_beat_the_pose_tells_slack_from_drag() -> None:
    """A longer cord is slack, a turned arm drags, each in scatters from cow to cow."""
    s = stall(**USUAL)
    assert off_state(s, -1.0, (1.0, 90.0), NUM) == SLACK
    assert off_state(s, -1.0, (9.0, 20.0), NUM) == DRAG
    assert off_state(s, -1.0, (-9.0, 20.0), NUM) == DRAG
    assert off_state(s, -1.0, (0.0, -90.0), NUM) == DRAG


def test_many_readings_of_the_beat_tell_the_state() -> None:
    """From 4 s on the mean of the beat decides; readings without one do not count."""
    s = stall(astray=DRAG)
    for _ in range(MANY - 1):
        weigh_support(s, 0.2, NUM)
    weigh_support(s, -1.0, NUM)
    assert (s["astray"], s["astray_n"]) == (DRAG, MANY - 1)
    weigh_support(s, 0.2, NUM)
    assert (s["astray"], s["astray_sum"]) == (SLACK, pytest.approx(0.2 * MANY))
    for _ in range(4 * MANY):
        weigh_support(s, 1.0, NUM)
    assert s["astray"] == DRAG


def closed(end: int, removal: int, **fields: Any) -> tuple[Any, list[Any]]:
    """Return a stall after its unsupported stretch was ended, and what was told."""
    known = {"astray": SLACK, "astray_bin": AT, "astray_found": AT + 80, "astray_sum": 3.0, "astray_n": 6}
    s, now = stall(**(known | {"stray_run": 4, "fine_run": 4} | fields)), moment(AT + 300)
    close_support(s, end, removal, now)
    assert (s["astray"], s["stray_run"], s["fine_run"]) == (0, 0, 0)
    return s, told(now)


def test_a_stretch_is_told_with_its_mean_share() -> None:
    """Begin, end, when it was found, what it was, and how long the milking was unsupported."""
    s, (h,) = closed(AT + 200, AT + 250, astray_bins=10)
    assert (h["what"], h["flag"], h["value"]) == (Happening.SUPPORT_CLOSED, SLACK, 0.5)
    assert (h["from_bin"], h["to_bin"], h["found_bin"]) == (AT, AT + 200, AT + 80)
    assert s["astray_bins"] == 210
    assert closed(AT + 200, AT + 250, astray_sum=9.0)[1][0]["value"] == 1.0
    for fields in ({"astray_n": 0}, {"astray": DRAG, "astray_sum": 0.6}):
        assert closed(AT + 200, AT + 250, **fields)[1][0]["value"] == UNKNOWN_SHARE


@pytest.mark.parametrize(
    ("end", "removal", "fields"),
    [(AT + 200, AT + 80, {}), (AT, AT + 250, {}), (AT + 200, AT + 250, {"astray": 0})],
)
def test_a_stretch_of_the_removal_is_dropped(end: int, removal: int, fields: dict[str, int]) -> None:
    """Found only while the unit was taken off, or ended before it began: nothing is told."""
    s, said = closed(end, removal, **fields)
    assert (said, s["astray_bins"]) == ([], 0)
    assert len(closed(AT + 1, AT + 81)[1]) == 1


def decided(readings: int, shown: int, **fields: Any) -> tuple[Any, list[Any]]:
    """Return a stall after some readings five a second that all show the same."""
    s, now = stall(**({"on_bin": AT - 900, "own_n": 60.0, "last_arm": AT - 4} | fields)), moment(AT)
    for k in range(readings):
        now = now._replace(bin=AT + 4 * k)
        decide(s, shown, 1.0, now, NUM)
        s["last_arm"] = AT + 4 * k
    return s, told(now)


def test_evidence_must_stand_for_four_seconds() -> None:
    """Then the stretch began a second before it, since the level lags; other evidence begins anew."""
    n = NUM.hold_bins // 4
    assert decided(n, DRAG)[0]["astray"] == 0
    s, _ = decided(n + 1, DRAG)
    assert (s["astray"], s["astray_found"]) == (DRAG, AT + 4 * n)
    assert s["astray_bin"] == AT + 4 * n - NUM.hold_bins - LEVEL_LAG
    assert decided(n + 1, DRAG, on_bin=AT - 5)[0]["astray_bin"] == AT - 5
    assert decided(n + 1, DRAG, own_n=AT_ONCE_S - 0.1, on_bin=AT - 300)[0]["astray_bin"] == AT - 300
    carried = decided(n + 1, DRAG, own_n=AT_ONCE_S + 0.1, on_bin=AT - 300)[0]
    assert carried["astray_bin"] > AT - 300
    late = decided(n + 1, DRAG, own_n=AT_ONCE_S - 0.1)[0]
    assert late["astray_bin"] == AT + 4 * n - NUM.hold_bins - LEVEL_LAG
    assert decided(2, SLACK, stray_state=DRAG, stray_run=90)[0]["astray"] == 0
    assert decided(2, 0, stray_state=0, stray_run=90)[0]["stray_run"] == 0


def test_a_beat_that_is_gone_is_said_at_once() -> None:
    """What was summed up is enough; it began when it began to be missing, less the lock-in's delay."""
    s, _ = decided(1, SLACK, lost_s=LOST_S + 0.1, lost_bin=AT - 100)
    assert s["astray_bin"] == AT - 100 - int(SWING_LAG * SWING_S / BIN_S)
    assert decided(1, SLACK, lost_s=LOST_S - 0.1)[0]["astray"] == 0
    assert decided(1, DRAG, lost_s=LOST_S + 0.1)[0]["astray"] == 0


def test_a_stretch_ends_when_the_evidence_is_gone_for_six_seconds() -> None:
    """It ends where it began to be gone."""
    known = {"astray": SLACK, "astray_bin": AT - 400, "astray_found": AT - 300, "astray_n": 1}
    n = NUM.clear_bins // 4
    assert decided(n - 1, 0, **known)[1] == []
    s, (h,) = decided(n, 0, **known)
    assert (s["astray"], h["to_bin"]) == (0, AT - 4)
    assert decided(n, SLACK, **known)[0]["astray"] == SLACK


@pytest.mark.parametrize(
    ("fields", "told_of"),
    [
        ({}, False),
        ({"astray_sum": 10.0 * FAINT_SHARE - 0.1}, True),  # hardly any of the beat
        ({"astray": DRAG}, True),  # dragged: the beat says nothing
        ({"astray_bin": AT - 399}, True),  # since later than the attaching
        ({"on_bin": AT - FAINT_BINS - 4, "astray_bin": AT - FAINT_BINS - 4}, True),  # for long
        ({"astray_sum": 0.0, "astray_n": 0}, True),  # no beat is known
    ],
)
def test_a_faint_beginning_is_taken_back(fields: dict[str, float], told_of: bool) -> None:
    """Slack from the attaching on, over in time, and much of the beat was there all along: it hung taut."""
    faint = {"on_bin": AT - 400, "astray": SLACK, "astray_bin": AT - 400, "astray_found": AT - 300}
    half = {"astray_n": 10, "astray_sum": 10.0 * FAINT_SHARE + 0.1}
    s, said = decided(NUM.clear_bins // 4, 0, **(faint | half | fields))
    assert (s["astray"], s["fine_run"], len(said)) == (0, 0, int(told_of))
    assert (s["astray_bins"] > 0) == told_of


def test_a_faint_beginning_that_ends_with_the_milking_is_taken_back_too() -> None:
    """However it ended, the mean of all readings is the better witness."""
    for share, told_of in ((FAINT_SHARE + 0.01, False), (FAINT_SHARE - 0.01, True)):
        s = stall(on_bin=AT - 400, astray=SLACK, astray_bin=AT - 400, astray_found=AT - 300)
        s["astray_n"], s["astray_sum"] = 10, 10.0 * share
        now = moment(AT)
        close_support(s, AT - 10, AT - 10, now)
        assert len(told(now)) == int(told_of)


def test_a_stretch_does_not_begin_before_the_last_one_ended() -> None:
    """Whatever its evidence reaches back to: what was carried meanwhile was carried."""
    known = {"astray": SLACK, "astray_bin": AT - 400, "astray_found": AT - 300, "astray_n": 1}
    s, (first,) = decided(NUM.clear_bins // 4, 0, **known)
    assert s["fine_bin"] == first["to_bin"]
    late = {"fine_bin": s["fine_bin"], "on_bin": AT - 900}
    since = {"lost_s": LOST_S + 0.1, "lost_bin": AT - 500}
    assert decided(1, SLACK, **since)[0]["astray_bin"] < s["fine_bin"]
    assert decided(1, SLACK, **since, **late)[0]["astray_bin"] == s["fine_bin"]
    early = {"own_n": AT_ONCE_S - 0.1, "on_bin": AT - 300}
    n = NUM.hold_bins // 4
    assert decided(n + 1, DRAG, **early, fine_bin=AT - 100)[0]["astray_bin"] == AT - 100
    pose = {"own_angle": WORK[0] + 9.0, "own_cord": WORK[1], "angle_mean": WORK[0], "cord_mean": WORK[1]}
    s, (back,) = decided(n + 1, BACK, **pose, fine_bin=AT - 200)
    assert (back["from_bin"], s["fine_bin"]) == (AT - 200, back["to_bin"])


def test_a_stall_that_never_beat_must_show_none_for_a_while() -> None:
    """One reading with little of it is noise there, however much was summed up before."""
    gone = {"others_clear": 3.0, "lost_s": LOST_S + 0.1, "lost_bin": AT - 100}
    n = NUM.hold_bins // 4
    assert decided(n, SLACK, **gone)[0]["astray"] == 0
    s = decided(n + 1, SLACK, **gone)[0]
    assert s["astray_bin"] == AT + 4 * n - NUM.hold_bins - int(SWING_LAG * SWING_S / BIN_S)


def test_a_return_tells_what_was_before_it() -> None:
    """From the attaching to the step the unit was not carried; the milking's own level begins anew."""
    n = NUM.hold_bins // 4
    pose = {"own_angle": WORK[0] + 9.0, "own_cord": WORK[1], "angle_mean": WORK[0], "cord_mean": WORK[1]}
    s, (h,) = decided(n + 1, BACK, **pose)
    assert (h["flag"], h["from_bin"], h["found_bin"]) == (DRAG, AT - 900, AT + 4 * n)
    assert h["to_bin"] == AT + 4 * n - NUM.hold_bins - LEVEL_LAG
    assert (s["astray"], s["own_n"]) == (0, 0.0)
    longer = {"own_angle": WORK[0], "own_cord": WORK[1] + 90.0}
    assert decided(n + 1, BACK, **(pose | longer))[1][0]["flag"] == SLACK


@pytest.mark.parametrize(("shown", "ends"), [(0, True), (BACK, True), (SLACK, False), (DRAG, False)])
def test_a_stretch_ends_once_its_evidence_has_been_gone(shown: int, ends: bool) -> None:
    """Back in place is gone as well; whatever else is shown keeps it."""
    astray = {"astray": SLACK, "astray_bin": AT - 200, "astray_found": AT - 100}
    s, said = decided(NUM.clear_bins // 4 + 2, shown, **astray)
    assert (s["astray"] == 0, len(said)) == (ends, int(ends))
