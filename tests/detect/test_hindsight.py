"""A stall's first attachment, judged with what the next ones taught."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from detect.arm_state import DRAG, SLACK, UNKNOWN_SHARE
from detect.hindsight import EACH, ENOUGH, KEPT, LEAST_N, OVER, end_first, first_swing, keep_first, look_back
from detect.place import place_odds
from detect.state import Happening
from detect.swing import RECOVERED, SWING_S, TRUSTED_S
from tests.detect.by_hand import NUM, moment, stall, told

AT, DT_S, RATE = 90_000, 0.2, 15
FROM, TO = 10_110, 14_110
WORK = (24.0, 260.0)
NOISE = 0.5
"""Variance of a sample for ``swing_noise`` 0.8 and ``norm_swing`` 1: (1.25 x 0.8)^2 - 1/2."""
LEARNED = {
    **{"swing_noise": 0.8, "norm_swing": 1.0, "norm_n": TRUSTED_S, "beat_at": RATE, "visits": ENOUGH},
    **{"place_n": ENOUGH, "place_angle": WORK[0], "place_cord": WORK[1], "cow_scatter": (4.0, 0.0, 400.0)},
}
"""What the next attachments taught."""
FIRST = {
    **{"first_state": KEPT, "first_from": FROM, "first_to": TO, "first_n": LEAST_N, "first_dt_s": DT_S},
    **{"first_since": ENOUGH - 1, "first_angle": WORK[0], "first_cord": WORK[1]},
}


def first(share: float, **fields: Any) -> Any:
    """Return a stall whose first attachment showed that share of the stall's usual beat."""
    s = stall(**(LEARNED | FIRST | fields))
    s["first_power"][:, RATE] = share**2 + NOISE * 2.0 * DT_S / SWING_S
    return s


def verdict(s: Any) -> Any:
    """Return what is told at the next attaching: a row, or None."""
    now = moment(AT)
    look_back(s, now, NUM)
    rows = told(now)
    assert len(rows) <= 1
    return rows[0] if rows else None


def test_every_fifth_reading_is_taken_into_the_means() -> None:
    """Angle, cord, and the power at every rate; once the attachment is over nothing more."""
    s = stall(angle_mean=10.0, cord_mean=100.0)
    for k, power in ((EACH, 1.0), (EACH + 1, 50.0), (2 * EACH, 3.0)):
        s["arm_n"], s["angle_mean"], s["cord_mean"] = k, 10.0 * power, 100.0 * power
        s["bank_power"] = power
        keep_first(s, DT_S)
    assert (s["first_n"], s["first_dt_s"]) == (2, DT_S)
    assert (s["first_angle"], s["first_cord"]) == (pytest.approx(20.0), pytest.approx(200.0))
    assert s["first_power"] == pytest.approx(np.full((2, 32), 2.0))
    s["first_state"] = KEPT
    keep_first(s, DT_S)
    assert s["first_n"] == 2


def test_an_attachment_long_enough_is_kept() -> None:
    """With where it lasted; later ones do not take its place."""
    s = stall(first_n=LEAST_N, on_bin=FROM)
    end_first(s, TO, False)
    assert (s["first_state"], s["first_from"], s["first_to"]) == (KEPT, FROM, TO)
    s["on_bin"] = TO + 100
    end_first(s, TO + 500, False)
    assert (s["first_from"], s["first_to"]) == (FROM, TO)


def test_a_short_attachment_is_not_the_first() -> None:
    """A unit that was on for seconds shows nothing: the next one counts."""
    s = stall(first_n=LEAST_N - 1, on_bin=FROM, first_angle=7.0)
    s["first_power"] = 1.0
    end_first(s, TO, False)
    assert (s["first_state"], s["first_n"], s["first_power"].max()) == (0, 0, 0.0)


def test_what_was_told_while_it_lasted_is_not_told_again() -> None:
    """Two stretches of one attachment never overlap."""
    s = first(0.0, first_state=0, on_bin=FROM)
    end_first(s, TO, True)
    assert s["first_state"] == OVER
    assert verdict(s) is None


def test_the_beat_is_what_stands_out_of_the_noise() -> None:
    """The mean power at the stall's rate less what noise alone shows; never below nothing."""
    s = first(0.6)
    assert first_swing(s, 0) == pytest.approx(0.6)
    s["first_power"][1, RATE] = 0.0
    assert first_swing(s, 1) == 0.0


@pytest.mark.parametrize(
    ("share", "pose", "state", "carried"),
    [
        (NUM.swing_share - 0.01, WORK, SLACK, NUM.swing_share - 0.01),
        (NUM.swing_share + 0.01, WORK, 0, None),
        (1.0, WORK, 0, None),
        (1.0, (WORK[0], WORK[1] + 120.0), DRAG, UNKNOWN_SHARE),
        (1.0, (WORK[0], WORK[1] + 60.0), 0, None),
        (0.6, (WORK[0], WORK[1] + 120.0), SLACK, 0.6),
    ],
    ids=str,
)
def test_a_first_attachment_is_judged_by_beat_and_pose(
    share: float, pose: tuple[float, float], state: int, carried: float | None
) -> None:
    """Little of the beat is slack; far out of place is drag with most of it, slack with less."""
    row = verdict(first(share, first_angle=pose[0], first_cord=pose[1]))
    if state == 0:
        assert row is None
        return
    assert (row["what"], row["flag"]) == (Happening.SUPPORT_CLOSED, state)
    assert (row["from_bin"], row["to_bin"], row["found_bin"]) == (FROM, TO, AT)
    assert row["value"] == pytest.approx(carried)


def test_the_verdict_waits_for_enough_attachments_and_poses() -> None:
    """Two later ones, three with a pose; it is given once, and what it stood on is forgotten."""
    s = first(0.0, first_since=0)
    for _ in range(ENOUGH - 1):
        assert verdict(s) is None
    s["visits"] = ENOUGH - 1
    assert verdict(s) is None
    s["visits"] = ENOUGH
    assert verdict(s) is not None
    assert (s["first_state"], s["first_power"].max()) == (OVER, 0.0)
    assert verdict(s) is None


@pytest.mark.parametrize(("share", "slack"), [(RECOVERED - 0.01, True), (RECOVERED + 0.01, False)])
def test_a_cord_that_was_never_taut_is_held_against_the_others(share: float, slack: bool) -> None:
    """No pose is asked for: a stall that is never carried learns none."""
    others = 4.0
    own = share * others * (NOISE / 2.0) ** 0.5  # angle and cord alike, in noises of a sample
    row = verdict(first(own, others_clear=others, visits=0, place_n=0))
    assert (row is not None) == slack
    if slack:
        assert row["value"] == pytest.approx(share)


@pytest.mark.parametrize(
    ("pose", "state"),
    [(WORK, 0), ((WORK[0], WORK[1] + 120.0), SLACK), ((WORK[0] + 12.0, WORK[1]), DRAG)],
    ids=str,
)
def test_where_no_beat_is_known_only_the_pose_tells(pose: tuple[float, float], state: int) -> None:
    """A longer cord is slack, another angle drags; how much was carried nobody knows."""
    row = verdict(first(0.0, norm_n=TRUSTED_S - 1.0, first_angle=pose[0], first_cord=pose[1]))
    assert (row["flag"] if row else 0) == state
    if row:
        assert row["value"] == UNKNOWN_SHARE


def test_a_pose_must_be_far_out() -> None:
    """Twice the log odds that tell a unit while it hangs: nobody can look any more."""
    for cord_mm in np.arange(60.0, 120.0, 0.5):
        odds = place_odds(first(1.0), WORK[0], WORK[1] + cord_mm)
        row = verdict(first(1.0, first_cord=WORK[1] + cord_mm))
        assert (row is not None) == (odds >= 2.0 * NUM.out_log_odds)


def test_the_norm_of_the_stall_counts_and_not_the_last_milking() -> None:
    """A cow that just hung taut or loose says nothing of the first one; nor can more than all be carried."""
    share = NUM.swing_share - 0.02
    assert verdict(first(share, own_swing_n=200.0, own_swing=0.6)) is not None
    assert verdict(first(NUM.swing_share + 0.02, own_swing_n=200.0, own_swing=1.6)) is None
