"""The score says what a person counting by hand would say."""

from __future__ import annotations

import pytest

from dashboards.matching import NS_PER_S
from dashboards.score import (
    AirSpell,
    MilkingSpell,
    PlantSpell,
    Record,
    SupportSpell,
    score,
    score_events,
    score_milkings,
    score_support,
)


def ns(seconds: float) -> int:
    return round(seconds * NS_PER_S)


def air(start_s: float, *, depth_kpa: float = 5.0, air_l: float = 0.5, **other: object) -> AirSpell:
    fields: dict[str, object] = {
        "kind": "liner_slip",
        "cause": "unknown",
        "stall": 1,
        "end_ns": ns(start_s + 1),
    }
    fields |= other
    return AirSpell(parlor="p", start_ns=ns(start_s), depth_kpa=depth_kpa, air_l=air_l, **fields)


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
    assert (result.counts.matched, result.counts.repeats, result.counts.false) == (2, 1, 1)
    assert result.counts.recall == pytest.approx(2 / 3)
    assert result.counts.precision == pytest.approx(0.5)
    assert result.counts.f1 == pytest.approx(4 / 7)
    assert result.relevant_recall == 1.0
    assert result.false_per_100_milkings == pytest.approx(4.0)
    assert result.delay_s == pytest.approx({"p50": 0.6, "p95": 0.69})
    assert result.onset_error_s == pytest.approx({"p50": 0.15, "p95": 0.195})
    assert result.litres_ratio == pytest.approx({"p10": 0.84, "p50": 1.0, "p90": 1.16})
    assert result.kinds == {"liner_slip": {"fall_off": 1, "liner_slip": 1}}


def test_bands_hold_every_true_event_once() -> None:
    """The bands of depth and of litres partition the truth."""
    truth = [air(10.0 * k, depth_kpa=0.7 * k, air_l=0.04 * k) for k in range(30)]
    result = score_events(truth, truth[::2], milkings=10)
    assert sum(band.truth for band in result.recall_by_depth_kpa) == len(truth)
    assert sum(band.truth for band in result.recall_by_litres) == len(truth)
    assert sum(band.matched for band in result.recall_by_litres) == 15
    assert result.recall_by_litres[-1].high is None


def test_milkings_are_found_only_with_both_ends() -> None:
    """A milking with one end 16 s off is matched but not found; its yield error still counts."""
    truth = [MilkingSpell("p", s, ns(0), ns(300), 10.0) for s in (1, 2, 3)]
    found = [
        MilkingSpell("p", 1, ns(3), ns(304), 10.2),
        MilkingSpell("p", 2, ns(0), ns(316), 10.0),
    ]
    result = score_milkings(truth, found)
    assert result.within_5_s == pytest.approx(1 / 3)
    assert result.within_15_s == pytest.approx(1 / 3)
    assert result.counts.recall == pytest.approx(2 / 3)
    assert result.yield_within_5_percent == pytest.approx(2 / 3)


def test_support_tells_slack_from_drag() -> None:
    """States are compared on matched stretches; a second found spell in one true one is no false one."""
    truth = [SupportSpell("p", 1, ns(0), ns(100), "slack")]
    found = [
        SupportSpell("p", 1, ns(10), ns(40), "drag", ns(30)),
        SupportSpell("p", 1, ns(50), ns(90), "slack", ns(60)),
    ]
    result = score_support(truth, found, milkings=10)
    assert result.states == {"slack": {"drag": 1}}
    assert result.false_per_100_milkings == 0.0
    assert result.counts.repeats == 1
    assert result.delay_s == pytest.approx({"p50": 30.0, "p95": 30.0})


def test_nothing_to_score_gives_no_figures() -> None:
    """Empty tables give None, never a made-up 0 or 1."""
    empty = Record((), (), (), ())
    result = score(empty, empty)
    assert result.events.counts.recall is None
    assert result.events.false_per_100_milkings is None
    assert result.milkings.within_15_s is None
    assert result.plant is not None
    assert result.plant.f1 is None


def test_a_plant_dip_is_scored_apart() -> None:
    """One dip found within two seconds, one missed."""
    truth = Record((), (), (), (PlantSpell("p", ns(0), ns(3)), PlantSpell("p", ns(60), ns(63))))
    found = Record((), (), (), (PlantSpell("p", ns(4), ns(5)),))
    plant = score(truth, found).plant
    assert plant is not None
    assert plant.recall == pytest.approx(0.5)


def test_a_truth_silent_about_the_plant_scores_no_dips() -> None:
    """Without a truth of the plant its dips are neither right nor wrong."""
    found = Record((), (), (), (PlantSpell("p", ns(4), ns(5)),))
    assert score(Record((), (), (), None), found).plant is None
