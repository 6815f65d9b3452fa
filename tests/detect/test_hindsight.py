"""A stall's first attachments, judged with what they and the next ones taught."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from detect.arm_state import DRAG, EARLY, SLACK, UNKNOWN_SHARE
from detect.hindsight import (
    EACH,
    LEAST_N,
    SURE,
    end_early,
    first_swing,
    keep_early,
    look_back,
    other_pose,
)
from detect.place import log_odds, pose_scatter
from detect.state import Happening
from detect.swing import RECOVERED, SWING_S, TRUSTED_S
from tests.detect.by_hand import NUM, moment, stall, told

AT, DT_S, RATE = 90_000, 0.2, 15
FROM = [10_110, 20_110, 30_110, 40_110]
TO = [14_110, 24_110, 34_110, 44_110]
ANGLE, CORD = 24.0, 260.0
NOISE = 0.5
"""Variance of a sample for ``swing_noise`` 0.8 and ``norm_swing`` 1: (1.25 x 0.8)^2 - 1/2."""
LEARNED = {
    **{"swing_noise": 0.8, "norm_swing": 1.0, "norm_n": TRUSTED_S, "beat_at": RATE},
    **{"cow_scatter": (4.0, 0.0, 400.0)},
}
"""What the attachments taught."""
KEPT = {
    **{"early": EARLY, "early_from": FROM, "early_to": TO, "early_n": LEAST_N, "first_dt_s": DT_S},
    **{"early_angle": ANGLE, "early_cord": CORD},
}
"""Four attachments in the same pose."""


def known(share: float = 1.0, **fields: Any) -> Any:
    """Return a stall whose first attachment showed that share of the stall's usual beat."""
    s = stall(**(LEARNED | KEPT | fields))
    s["first_power"][:, RATE] = share**2 + NOISE * 2.0 * DT_S / SWING_S
    return s


def out(i: int, *, angle: float = 0.0, cord: float = 0.0, share: float = 1.0, **fields: Any) -> Any:
    """Return a stall one of whose attachments stood so far off the others."""
    s = known(share, **fields)
    s["early_angle"][i] += angle
    s["early_cord"][i] += cord
    return s


def verdicts(s: Any) -> list[Any]:
    """Return what is told at the next attaching."""
    now = moment(AT)
    look_back(s, now, NUM)
    return told(now)


def test_every_fifth_reading_is_taken_into_the_means() -> None:
    """Angle and cord of each of the four, of the first the power at every rate as well."""
    s = stall()
    for i in range(EARLY + 1):
        s["early"] = i
        for k, power in ((EACH, 1.0), (EACH + 1, 50.0), (2 * EACH, 3.0)):
            s["arm_n"], s["angle_mean"], s["cord_mean"] = k, 10.0 * power, 100.0 * power
            s["bank_power"] = power + i
            keep_early(s, DT_S)
    assert list(s["early_n"]) == [2] * EARLY
    assert list(s["early_angle"]) == pytest.approx([20.0] * EARLY)
    assert list(s["early_cord"]) == pytest.approx([200.0] * EARLY)
    assert s["first_power"] == pytest.approx(np.full((2, 32), 2.0))
    assert s["first_dt_s"] == DT_S


def test_attachments_long_enough_are_kept() -> None:
    """With where they lasted, and whether they were told; those after the fourth are none of them."""
    s = stall(early_n=LEAST_N)
    for i in range(EARLY):
        s["on_bin"] = FROM[i]
        end_early(s, TO[i], i == 2)
        assert s["early"] == i + 1
    s["on_bin"] = AT
    end_early(s, AT + 500, True)
    assert (s["early"], list(s["early_from"]), list(s["early_to"])) == (EARLY, FROM, TO)
    assert list(s["early_told"]) == [0, 0, 1, 0]


@pytest.mark.parametrize("i", [0, 1])
def test_a_short_attachment_does_not_count(i: int) -> None:
    """A unit that was on for seconds shows nothing: the next one takes its place."""
    s = stall(early=i, early_n=LEAST_N - 1, on_bin=FROM[0], early_angle=7.0, early_cord=8.0, first_power=1.0)
    end_early(s, TO[0], False)
    assert (s["early"], s["early_n"][i], s["early_angle"][i], s["early_cord"][i]) == (i, 0, 0.0, 0.0)
    assert s["first_power"].max() == (0.0 if i == 0 else 1.0)  # the first one's stays


def test_the_beat_is_what_stands_out_of_the_noise() -> None:
    """The mean power at the stall's rate less what noise alone shows; never below nothing."""
    s = known(0.6)
    assert first_swing(s, 0) == pytest.approx(0.6)
    s["first_power"][1, RATE] = 0.0
    assert first_swing(s, 1) == 0.0


@pytest.mark.parametrize(("below", "slack"), [(0.01, True), (-0.01, False)])
def test_a_first_attachment_without_its_beat_was_slack(below: float, slack: bool) -> None:
    """Held against what the stall has shown since; what was carried is the share of the beat."""
    share = NUM.swing_share - below
    rows = verdicts(known(share))
    assert len(rows) == slack
    for row in rows:
        assert (row["what"], row["flag"]) == (Happening.SUPPORT_CLOSED, SLACK)
        assert (row["from_bin"], row["to_bin"], row["found_bin"]) == (FROM[0], TO[0], AT)
        assert row["value"] == pytest.approx(share)


@pytest.mark.parametrize("i", range(EARLY))
def test_an_attachment_far_out_of_place_was_dragged(i: int) -> None:
    """Whichever of the four it was, by the pose of the other three; how much was carried nobody knows."""
    (row,) = verdicts(out(i, cord=120.0))
    assert (row["flag"], row["from_bin"], row["to_bin"]) == (DRAG, FROM[i], TO[i])
    assert row["value"] == UNKNOWN_SHARE


def test_a_pose_must_be_surely_out() -> None:
    """At twice the log odds that tell a unit while it hangs."""
    found = set()
    for cord_mm in np.arange(40.0, 120.0, 0.5):
        s = out(1, cord=cord_mm)
        odds = log_odds((0.0, cord_mm), pose_scatter(s, EARLY - 1))
        surely = odds >= SURE * NUM.out_log_odds
        assert len(verdicts(s)) == surely
        found.add(surely)
    assert found == {True, False}


def test_out_of_place_with_little_of_the_beat_is_slack() -> None:
    """Of the first, whose beat is known; without a norm a longer cord is slack, another angle drags."""
    (row,) = verdicts(out(0, cord=120.0, share=0.6))
    assert (row["flag"], row["value"]) == (SLACK, pytest.approx(0.6))
    without = {"norm_n": TRUSTED_S - 1.0, "share": 0.0}
    (row,) = verdicts(out(0, cord=120.0, **without))
    assert (row["flag"], row["value"]) == (SLACK, UNKNOWN_SHARE)
    (row,) = verdicts(out(0, angle=14.0, **without))
    assert (row["flag"], row["value"]) == (DRAG, UNKNOWN_SHARE)
    assert verdicts(known(0.0, norm_n=TRUSTED_S - 1.0)) == []


def test_the_others_must_agree() -> None:
    """Where two of four stand off nobody knows which is the usual pose."""
    s = out(1, cord=120.0)
    s["early_cord"][3] -= 120.0
    assert verdicts(s) == []


def test_what_was_told_while_it_lasted_is_no_measure_and_not_told_again() -> None:
    """Two others must be left."""
    s = out(1, cord=120.0, early_told=[0, 0, 0, 1])
    s["early_cord"][3] = 900.0
    assert other_pose(s, 1) == (ANGLE, CORD, 2)
    (row,) = verdicts(s)
    assert row["from_bin"] == FROM[1]
    assert verdicts(out(1, cord=120.0, early_told=[0, 0, 1, 1])) == []
    assert verdicts(out(1, cord=120.0, early_told=[0, 1, 0, 0])) == []
    assert verdicts(known(0.0, early_told=[1, 0, 0, 0])) == []
    assert other_pose(known(early_told=1), 0)[2] == 0


def test_the_verdict_is_given_once_the_fifth_begins() -> None:
    """Not before, and never again; what it stood on is forgotten."""
    assert verdicts(known(0.0, early=EARLY - 1)) == []
    s = known(0.0)
    assert len(verdicts(s)) == 1
    assert s["first_power"].max() == 0.0
    assert verdicts(s) == []
    keep_early(s, DT_S)
    end_early(s, AT, False)
    assert list(s["early_n"]) == [LEAST_N] * EARLY


@pytest.mark.parametrize(("share", "slack"), [(RECOVERED - 0.01, True), (RECOVERED + 0.01, False)])
def test_a_cord_that_was_never_taut_is_held_against_the_others(share: float, slack: bool) -> None:
    """By their beat over noise; its pose is that of a slack cord and says nothing."""
    others = 4.0
    own = share * others * (NOISE / 2.0) ** 0.5  # angle and cord alike, in noises of a sample
    rows = verdicts(out(0, cord=120.0, share=own, others_clear=others))
    assert [row["value"] for row in rows] == [pytest.approx(share)] * slack


def test_the_norm_of_the_stall_counts_and_not_the_last_milking() -> None:
    """A cow that just hung taut or loose says nothing of the first one."""
    assert len(verdicts(known(NUM.swing_share - 0.02, own_swing_n=200.0, own_swing=0.6))) == 1
    assert verdicts(known(NUM.swing_share + 0.02, own_swing_n=200.0, own_swing=1.6)) == []
