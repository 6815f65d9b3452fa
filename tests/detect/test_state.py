"""A stall of which nothing is known, a row of what happened, and a stretch of bins taken one by one."""

from __future__ import annotations

import numpy as np
import pytest

from detect.foresee import bar
from detect.params import DetectorParams
from detect.state import NEIGHBOUR, ORDER, SHAPES, USUAL_TAKE_OFF_S, WIDTHS, Bins, new_stalls, report
from tests.detect.by_hand import moment

NEVER = ("flow_bin", "on_bin", "off_bin", "moved_bin", "milk_bin", "arm_bin")
NEVER += ("parked_bin", "gap_bin", "resume_bin", "cup_bin")


def test_nothing_has_ever_happened_at_a_new_stall() -> None:
    """Instants are never, readings are unknown, and everything else is nothing."""
    stalls = new_stalls(3)
    assert stalls["index"].tolist() == [0, 1, 2]
    for name in NEVER:
        assert stalls[name].tolist() == [-1] * 3
    for name in ("kpa", "flow", "raw", "removal_kpa"):
        assert np.isnan(stalls[name]).all()
    for name in (
        "attached",
        "settled",
        "opening",
        "hanging",
        "seen",
        "air_seen",
        "trace_n",
        "norm_n",
        "open",
    ):
        assert not stalls[name].any()
    assert (stalls["take_off_s"] == USUAL_TAKE_OFF_S).all()


def test_a_new_stall_foresees_by_its_neighbouring_step() -> None:
    """Steps correlate by 0.3: each is foreseen as 0.3 of the one before, and the lags say the same."""
    (s,) = new_stalls(1).view(np.recarray)
    assert s["ahead"][:3].tolist() == [1.0, -NEIGHBOUR, 0.0]
    assert s["lags"][:3].tolist() == [1.0, NEIGHBOUR, 0.0]
    filtered = np.r_[1.0, -NEIGHBOUR, np.zeros(ORDER - 2)]
    assert s["falls"][0].tolist() == filtered.tolist()
    assert s["falls"][1].tolist() == pytest.approx((filtered + np.r_[0.0, filtered[:-1]]).tolist())
    assert s["norm"].shape == (SHAPES, len(WIDTHS))
    for shape in range(SHAPES):
        assert s["norm"][shape].tolist() == pytest.approx([np.linalg.norm(s["falls"][shape])] * len(WIDTHS))


def test_a_new_stall_is_cautious() -> None:
    """Its noise is taken to be half a kPa, its slugs three of it: its bar is higher than a quiet one's."""
    (s,) = new_stalls(1).view(np.recarray)
    assert (s["spread"], s["power"], s["tail"], s["tail_before"]) == (0.5, 0.5, 3.0, 3.0)
    assert (s["pulse_hz"], s["pulse_anchor"]) == (1.0, 1.0)
    assert bar(s, DetectorParams().numbers()) > 2.0 * DetectorParams().air.threshold


def test_a_happening_has_a_row_of_its_own() -> None:
    """Begun with what, whose and when; no quarter is named; the next one comes behind it."""
    now = moment(77)
    now.rows["quarter"] = 3
    for what, stall in ((4, 2), (1, 0)):
        row = report(now, what, stall)
        assert (row["what"], row["stall"], row["bin"], row["quarter"]) == (what, stall, 77, 0)
    assert now.used[0] == 2
    assert now.rows["what"][:3].tolist() == [4, 1, 0]


def test_a_stretch_of_bins_taken_one_by_one_is_the_same() -> None:
    """Each has its number, and all of its readings."""
    rng = np.random.default_rng(1)
    grids = [rng.normal(0.0, 1.0, (3, 2)) for _ in range(4)]
    whole = Bins(50, grids[0], rng.normal(0.0, 1.0, 3), *grids[1:], rng.normal(0.0, 1.0, (3, 2, 4)))
    each = whole.each()
    assert [part.first_bin for part in each] == [50, 51, 52]
    for name in ("kpa", "plant_kpa", "flow", "angle", "cord", "tubes"):
        joined = np.concatenate([getattr(part, name) for part in each])
        assert joined.tolist() == getattr(whole, name).tolist()
