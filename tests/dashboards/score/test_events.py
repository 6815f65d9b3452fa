"""The score of air events says what a person counting by hand would say."""

from __future__ import annotations

from typing import Any

import pytest

from dashboards.matching import NS_PER_S
from dashboards.score.events import score_events
from dashboards.score.spells import AirSpell


def ns(seconds: float) -> int:
    return round(seconds * NS_PER_S)


def air(start_s: float, *, length_s: float = 1.0, **other: Any) -> AirSpell:
    fields = {"kind": "liner_slip", "cause": "unknown", "depth_kpa": 5.0, "air_l": 0.5} | other
    return AirSpell("p", 1, ns(start_s), ns(start_s + length_s), **fields)


def test_events_are_scored_as_counted_by_hand() -> None:
    """Two of three true events found, one repeat and one false: recall 2/3, precision 2/4, F1 4/7."""
    truth = [air(10), air(20, depth_kpa=1.0, air_l=0.07), air(30)]
    found = [
        air(10.2, detected_ns=ns(10.5), air_l=0.4),
        air(10.9, detected_ns=ns(11)),
        air(30.1, detected_ns=ns(30.7), air_l=0.6, kind="fall_off"),
        air(50, detected_ns=ns(50.1)),
    ]
    result = score_events(truth, found, milkings=50)
    counts = result.counts
    assert (counts.matched, counts.missed, counts.repeats, counts.false) == (2, 1, 1, 1)
    assert counts.recall == pytest.approx(2 / 3)
    assert counts.precision == pytest.approx(0.5)
    assert counts.f1 == pytest.approx(4 / 7)
    assert (result.recall_from_2_kpa.part, result.recall_from_2_kpa.whole) == (2, 2)
    assert result.false_per_100_milkings == pytest.approx(4.0)
    assert (result.false.per_100, result.repeats.per_100) == (2.0, 2.0)
    assert result.delay_s == pytest.approx({"p50": 0.6, "p95": 0.69})
    assert result.onset_error_s == pytest.approx({"p50": 0.15, "p95": 0.195})
    assert result.litres_ratio == pytest.approx({"p10": 0.84, "p50": 1.0, "p90": 1.16})
    assert result.kinds == {"liner_slip": {"fall_off": 1, "liner_slip": 1}}
    assert result.kind_right.share == pytest.approx(0.5)
    assert result.missed == (truth[1],)
    assert result.wrong == (found[1], found[3])


def test_a_find_on_a_tiny_true_event_is_never_false() -> None:
    """What meets a true event below the headline's size is neither false nor missed, and lifts no recall."""
    result = score_events([air(10, air_l=0.02), air(20)], [air(10.1), air(20)], milkings=100)
    assert result.false.count == 0
    assert result.counts.precision == 1.0
    assert (result.recall_from_150_ml.part, result.recall_from_150_ml.whole) == (1, 1)
    assert result.curve.points[0].wrong.count == 0


def test_errors_keep_their_sign_only_in_the_bias() -> None:
    """Onsets 0.2 s early and 0.4 s late are 0.3 s off in the middle, and 0.1 s late in the median."""
    truth = [air(10), air(20)]
    found = [air(9.8, length_s=1.2), air(20.4, length_s=0.9)]
    result = score_events(truth, found, milkings=1)
    assert result.onset_error_s == pytest.approx({"p50": 0.3, "p95": 0.39})
    assert result.onset_bias_s == pytest.approx(0.1)
    assert result.end_error_s == pytest.approx({"p50": 0.15, "p95": 0.285})
    assert result.onset_errors_s == pytest.approx((-0.2, 0.4))


def test_delays_are_told_by_kind() -> None:
    """The delay of fall-offs is not lost among the slips'."""
    truth = [air(10, kind="fall_off"), air(20)]
    found = [air(10, detected_ns=ns(10.4), kind="fall_off"), air(20, detected_ns=ns(22))]
    delays = score_events(truth, found, milkings=1).delay_by_kind_s
    assert delays["fall_off"] == pytest.approx({"p50": 0.4, "p95": 0.4})
    assert delays["liner_slip"] == pytest.approx({"p50": 2.0, "p95": 2.0})
    assert delays["vacuum_removal"] is None


def test_litres_of_clear_slips_stand_apart() -> None:
    """The second ratio leaves out falls, and slips under 2 kPa."""
    truth = [air(10), air(20, depth_kpa=1.0), air(30, kind="fall_off")]
    found = [air(10, air_l=0.45), air(20, air_l=5.0), air(30, air_l=5.0)]
    result = score_events(truth, found, milkings=1)
    assert result.slip_litres_ratio == pytest.approx({"p10": 0.9, "p50": 0.9, "p90": 0.9})


def test_bands_hold_every_sized_event_once() -> None:
    """The bands of depth and of litres partition the true events that tell their size."""
    truth = [air(10.0 * k, depth_kpa=0.7 * k, air_l=0.04 * k) for k in range(30)]
    truth.append(air(400, depth_kpa=None, air_l=None))
    result = score_events(truth, truth[:30:2], milkings=10)
    assert sum(band.truth for band in result.recall_by_depth_kpa) == 30
    assert sum(band.truth for band in result.recall_by_litres) == 30
    assert sum(band.matched for band in result.recall_by_litres) == 15
    assert result.recall_by_litres[-1].high is None


def test_quarters_are_judged_only_where_both_sides_tell_one() -> None:
    """Of three true quarters two were told and one was right; a find without any quarter gives no score."""
    truth = [air(10, quarter="lf"), air(20, quarter="rr"), air(30, quarter="lr"), air(40)]
    found = [air(10, quarter="lf"), air(20, quarter="rf"), air(30), air(40, quarter="lf")]
    quarters = score_events(truth, found, milkings=1).quarters
    assert quarters is not None
    assert (quarters.told.part, quarters.told.whole) == (2, 3)
    assert (quarters.right.part, quarters.right.whole) == (1, 2)
    assert score_events(truth, [air(10)], milkings=1).quarters is None


def test_a_truth_of_bare_spells_is_scored_all_the_same() -> None:
    """Without kind, size and cause there is recall and precision, and no figure is made up."""
    bare = [AirSpell("p", 1, ns(10), ns(11))]
    result = score_events(bare, [air(10)], milkings=0)
    assert result.counts.f1 == 1.0
    assert result.false.per_100 is None
    assert result.litres_ratio is None
    assert result.kind_right.share is None
    assert result.causes.right.share is None
    assert result.recall_from_150_ml.share is None


def test_kinds_of_another_vocabulary_are_kept() -> None:
    """A kind we do not know gets a recall of its own."""
    recall = score_events([air(10, kind="leak")], [air(10)], milkings=1).recall_by_kind
    assert recall["leak"].share == 1.0
    assert recall["fall_off"].share is None


def test_recall_is_told_by_phase_of_flow() -> None:
    """The riskiest phase, low flow, has a recall of its own."""
    truth = [air(10, phase="low_flow"), air(20, phase="low_flow"), air(30, phase="peak"), air(40)]
    recall = score_events(truth, [air(10), air(30)], milkings=1).recall_by_phase
    assert (recall["low_flow"].part, recall["low_flow"].whole) == (1, 2)
    assert recall["peak"].share == 1.0
    assert recall["decline"].share is None
