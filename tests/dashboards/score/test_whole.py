"""Both sides of a score are brought to the same parlors and the same time."""

from __future__ import annotations

import pytest

from dashboards.matching import NS_PER_S
from dashboards.score.spells import AirSpell, MilkingSpell, PlantSpell, Record
from dashboards.score.whole import score
from detect.errors import InputError


def air(start_s: int, parlor: str = "p") -> AirSpell:
    return AirSpell(parlor, 1, start_s * NS_PER_S, (start_s + 1) * NS_PER_S)


def milking(start_s: int, end_s: int, parlor: str = "p") -> MilkingSpell:
    return MilkingSpell(parlor, 1, start_s * NS_PER_S, end_s * NS_PER_S)


def dip(start_s: int) -> PlantSpell:
    return PlantSpell("p", start_s * NS_PER_S, (start_s + 3) * NS_PER_S)


def test_nothing_to_score_gives_no_figures() -> None:
    """Empty tables give None, never a made-up 0 or 1."""
    result = score(Record(), Record())
    assert result.events is not None
    assert result.events.counts.recall is None
    assert result.events.false_per_100_milkings is None
    assert result.milkings is not None
    assert result.milkings.within_15_s is None
    assert result.plant is not None
    assert result.plant.f1 is None


def test_a_plant_dip_is_scored_apart() -> None:
    """One dip found within two seconds, one missed."""
    plant = score(Record(plant=(dip(0), dip(60))), Record(plant=(dip(4),))).plant
    assert plant is not None
    assert plant.recall == pytest.approx(0.5)


def test_a_silent_truth_scores_nothing() -> None:
    """What the truth has no table of is neither right nor wrong."""
    silent = Record(events=None, milkings=None, support=None, plant=None, missing=("plant",))
    result = score(silent, Record(events=(air(1),), plant=(dip(4),)))
    assert (result.events, result.milkings, result.support, result.plant) == (None, None, None, None)
    assert "the truth does not tell: plant" in result.notes


def test_what_lies_outside_the_truth_is_left_out_and_said() -> None:
    """Finds of another day or another parlor are no false ones; those of the wash after milking are."""
    truth = Record(milkings=(milking(10_000, 10_300),))
    found = Record(events=(air(100), air(10_100, "q"), air(10_100), air(13_000), air(90_000)))
    result = score(truth, found)
    assert result.events is not None
    assert result.events.false.count == 2
    assert "3 rows of the history lie outside the truth's parlors or time and are left out" in result.notes


def test_a_history_of_something_else_is_noticed() -> None:
    """When nothing at all falls into the truth's time, the notes say so."""
    result = score(Record(events=(air(10),)), Record(events=(air(900_000),)))
    assert "the history holds nothing within the truth's parlors and time" in result.notes
    assert "without true milkings there is no rate per 100" in result.notes


def test_a_truth_without_parlors_meets_a_history_of_one() -> None:
    """A nameless truth is the history's only parlor; among several it would be a guess, which is refused."""
    truth = Record(events=(air(10, ""),))
    result = score(truth, Record(events=(air(10, "willowmere"),)))
    assert result.events is not None
    assert result.events.counts.f1 == 1.0
    with pytest.raises(InputError, match="the history holds east, west"):
        score(truth, Record(events=(air(10, "east"), air(10, "west"))))
