"""One reading of an arm: whether it is listened to, judged, and learned from."""

from __future__ import annotations

import math
from typing import Any

import pytest

from detect.carry import CALM, FAINTER, ON_S, POSED, SLACK, SWING_LAG, forget_arm, watch_arm
from detect.params import BIN_S
from detect.swing import LONGEST_S, NEEDED_S, SHORTEST_S, SWING_S, TRUSTED_S
from tests.detect.by_hand import NUM, moment, stall

AT = 10_110
ANGLE, CORD = 24.0, 260.0
STEP = 4
"""Bins between two readings."""
DT_S = STEP * BIN_S
HANGS = {
    **{"attached": 1, "up_bin": AT - 1_000, "on_bin": AT - 1_000, "high_bin": AT - 1, "arm_bin": -1},
    **{"arm_n": 200, "last_arm": AT - STEP, "angle_mean": ANGLE, "cord_mean": CORD, "swing_s": SWING_S},
}
"""A unit that has hung and milked for 50 s, and an arm that has been heard for 40 s of them."""
GONE = {"norm_n": TRUSTED_S, "others_clear": 2.0}
"""Where the other stalls tell what a beat is, and this arm shows none of it."""


def read(**fields: Any) -> Any:
    """Return a stall after one more reading of an arm at rest."""
    s = stall(**(HANGS | fields))
    watch_arm(s, ANGLE, CORD, moment(AT), NUM)
    assert s["last_arm"] == AT
    return s


@pytest.mark.parametrize(
    ("fields", "listens"),
    [
        ({}, True),
        ({"attached": 0}, False),
        ({"up_bin": AT - ON_S}, False),
        ({"up_bin": AT - ON_S - 1}, True),
        ({"high_bin": AT - 20}, False),
        ({"high_bin": AT - 19}, True),
        ({"missing": 1}, False),
        ({"arm_n": 0, "arm_bin": AT - CALM}, False),
        ({"arm_n": 0, "arm_bin": AT - CALM - 1}, True),
        ({"arm_n": 1, "arm_bin": AT - 1}, True),
    ],
    ids=str,
)
def test_an_arm_is_listened_to_while_its_unit_hangs(fields: dict[str, int], listens: bool) -> None:
    """On for three seconds, with its vacuum and its data; and begun with only when nobody moves the arm."""
    before = fields.get("arm_n", 200)
    assert read(**fields)["arm_n"] == before + listens


@pytest.mark.parametrize(("last", "dt_s"), [(AT, BIN_S), (AT - STEP, DT_S), (AT - 40, 0.4)])
def test_a_reading_speaks_for_the_time_since_the_last_one(last: int, dt_s: float) -> None:
    """For a bin at least, and for two fifths of a second at most: a gap is not bridged."""
    assert read(last_arm=last)["visit_s"] == pytest.approx(dt_s)


@pytest.mark.parametrize(
    "fields", [{"arm_n": POSED - 2}, {"arm_bin": AT - CALM}, {"arm_bin": AT - 1}], ids=str
)
def test_an_arm_is_not_judged_before_its_level_is_known_nor_while_it_moves(fields: dict[str, int]) -> None:
    """It teaches no pose, and what was missing of the beat is left as it was."""
    s = read(**fields, lost_s=0.5)
    assert (s["visit_s"], s["own_n"], s["lost_s"]) == (0.0, 0.0, 0.5)
    assert read(arm_n=POSED - 1)["visit_s"] == pytest.approx(DT_S)


def test_a_carried_unit_teaches_its_pose_once_its_beat_could_be_seen() -> None:
    """After the lock-in's memory and half of that of its power."""
    needed = round((SWING_S + 0.5 * SWING_S) / DT_S)
    for arm_n, learns in ((needed - 2, False), (needed, True)):
        s = read(arm_n=arm_n)
        assert s["visit_s"] == pytest.approx(DT_S)
        assert (s["own_n"], s["norm_n"]) == (pytest.approx(DT_S * learns), pytest.approx(DT_S * learns))


def test_a_missing_beat_is_summed_up_and_teaches_nothing() -> None:
    """The unit may hang slack: neither pose nor norm are its own, but its usual one."""
    s = read(**GONE)
    assert (s["lost_s"], s["lost_bin"]) == (pytest.approx(NUM.swing_share * DT_S), AT)
    assert (s["visit_s"], s["own_n"], s["norm_n"]) == (0.0, 0.0, TRUSTED_S)
    assert (s["stray_state"], s["stray_run"], s["astray"]) == (SLACK, 0, 0)
    early = read(**GONE, arm_n=20, lost_s=0.5)  # nothing is missing that could not be seen yet
    assert (early["lost_s"], early["visit_s"]) == (0.0, pytest.approx(DT_S))


def test_evidence_that_stands_begins_a_stretch() -> None:
    """Once it has stood for long enough, reading by reading."""
    s = stall(**(HANGS | GONE))
    for k in range(30):
        s["high_bin"] = AT + STEP * k
        watch_arm(s, ANGLE, CORD, moment(AT + STEP * k), NUM)
    assert s["astray"] == SLACK
    assert s["astray_bin"] == AT - int(SWING_LAG * SWING_S / BIN_S)  # by which the lock-in is late
    assert s["astray_found"] == AT + NUM.hold_bins
    assert s["visit_s"] == 0.0


def test_a_unit_that_is_not_carried_is_weighed_and_its_norm_forgotten() -> None:
    """Its readings add to what tells slack from drag; nothing is learned of them."""
    astray = {"astray": SLACK, "astray_bin": AT - 100, "astray_found": AT - 50}
    s = stall(**(HANGS | GONE | astray))
    s["beat"] = 1.0
    watch_arm(s, ANGLE, CORD, moment(AT), NUM)
    assert (s["astray_n"], s["astray_sum"], s["own_n"], s["norm_n"]) == (1, 0.0, 0.0, TRUSTED_S)
    assert (s["beat"] < 1.0).all()


def test_a_stall_that_never_beat_is_told_only_once_a_beat_could_be_seen() -> None:
    """With the attaching somebody may have set its arm: until the lock-in is full nothing is missing."""
    needed = round((SWING_S + 0.5 * SWING_S) / DT_S)
    for arm_n, shown in ((needed - 2, 0), (needed, SLACK)):
        assert read(**GONE, arm_n=arm_n)["stray_state"] == shown


def test_a_stall_that_never_beat_is_looked_at_where_its_beat_is_now() -> None:
    """Its norm tells no rate: the rate of the moment does, near that of the others."""
    s = stall(**(HANGS | GONE), others_at=15, beat_at=14)
    s["bank_power"][:, 16] = 0.1
    watch_arm(s, ANGLE, CORD, moment(AT), NUM)
    assert s["beat_at"] == 16


@pytest.mark.parametrize(
    ("others", "memory_s"),
    [(0.0, LONGEST_S), (math.sqrt(NEEDED_S / 5.0) / FAINTER, 5.0), (9.0, SHORTEST_S)],
)
def test_a_beat_is_looked_for_as_long_as_one_fainter_than_the_others_needs(
    others: float, memory_s: float
) -> None:
    """A stall without a beat of its own would look for one that hardly stands out, and take longest."""
    s = stall(**HANGS, others_clear=others, swing_noise=0.01)
    forget_arm(s)
    assert s["swing_s"] == pytest.approx(memory_s)
