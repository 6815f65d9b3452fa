"""Who stands at a stall, and whose milking it is when cows come, leave and come again."""

from __future__ import annotations

import pytest

from detect.kinds import AirKind
from detect.params import BIN_NS
from detect.results import AirEvent, Milking
from tests.detect.silent import AT, EVENT, FALL, Silent, rows
from tests.store.drawn import air_event

UP = {1: 42.0}


def test_a_cow_who_left_keeps_the_figures_of_then() -> None:
    """What the stall's state says later, or when she is told to have left once more, is not hers."""
    parlor = Silent()
    parlor.begin()
    parlor.come(None)
    assert parlor.live(1.0) == []
    parlor.write(yield_kg=99.0)
    parlor.come(None)
    assert parlor.live(1.0) == []
    assert parlor.detector.now()[0].cow is None
    (row,) = rows(parlor.detector.flush())
    assert (row.cow, row.yield_kg, row.unit_on_s) == ("17", 12.0, 360.0)


def test_a_unit_put_on_after_the_cow_left_begins_a_milking_of_nobody() -> None:
    """Hers ends complete with her figures; the new one has a name of its own and nothing of hers."""
    parlor = Silent()
    parlor.begin()
    parlor.come(None)
    parlor.live(1.0)
    (row,) = rows(parlor.live(1.0, kpa=UP))
    assert (row.cow, row.yield_kg, row.reattaches, row.complete) == ("17", 12.0, 0, True)
    (now,) = parlor.detector.now()
    assert (now.attached, now.cow) == (True, None)
    assert now.milking_id not in (None, row.milking_id)


def test_a_cow_who_comes_round_again_goes_on_with_her_milking() -> None:
    """Put on again after she had left and come back is one more attachment of the same milking."""
    parlor = Silent()
    parlor.begin()
    parlor.come(None)
    parlor.live(1.0)
    parlor.come("17")
    parlor.live(1.0)
    assert parlor.live(10.0, kpa=UP) == []
    (row,) = rows(parlor.detector.flush())
    assert (row.cow, row.reattaches) == ("17", 1)
    assert row.unit_on_s == pytest.approx(370.0, abs=0.1)


@pytest.mark.parametrize("left_first", [True, False])
def test_the_next_cow_ends_the_milking_of_the_last_one(left_first: bool) -> None:
    """At once, complete, and whether anybody said that she had left."""
    parlor = Silent()
    parlor.begin()
    if left_first:
        parlor.come(None)
        parlor.live(1.0)
    parlor.come("18")
    (row,) = rows(parlor.live(1.0))
    assert (row.cow, row.yield_kg, row.complete) == ("17", 12.0, True)
    (now,) = parlor.detector.now()
    assert (now.cow, now.milking_id) == ("18", None)


def test_the_next_cow_s_milking_begins_at_nothing() -> None:
    """Nothing of what the stall had summed up for the last one is hers."""
    parlor = Silent()
    parlor.begin()
    parlor.come("18")
    parlor.live(1.0)
    parlor.live(10.0, kpa=UP)
    (row,) = rows(parlor.detector.flush())
    assert (row.cow, row.yield_kg, row.unit_on_s, row.start_ns) == ("18", 0.0, 10.0, (AT + 20) * BIN_NS)


def test_a_nameless_milking_that_is_over_is_not_the_next_cow_s() -> None:
    """Its unit hangs parked when the cow comes: it ends without a name."""
    parlor = Silent()
    parlor.begin(cow=None)
    parlor.come("17")
    (row,) = rows(parlor.live(1.0))
    assert (row.cow, row.complete) == (None, True)


def test_a_name_that_comes_late_is_that_of_the_unit_s_milking() -> None:
    """And what was held back until then is told."""
    parlor = Silent()
    parlor.begin(cow=None, attached=1)
    milking = parlor.detector.books[0].milking
    assert milking is not None
    milking.held.append(air_event(1, stall=1))
    parlor.come("17")
    assert parlor.live(1.0) == [air_event(1, stall=1)]
    (row,) = rows(parlor.detector.flush())
    assert (row.cow, row.complete) == ("17", False)


@pytest.mark.parametrize("cow", ["18", None])
def test_who_comes_while_the_unit_is_on_does_not_take_the_milking_over(cow: str | None) -> None:
    """The stall is hers from now on; what is milked goes on under the name that it began with."""
    parlor = Silent()
    parlor.begin(attached=1)
    parlor.come(cow)
    assert parlor.live(1.0) == []
    (now,) = parlor.detector.now()
    assert (now.cow, now.attached) == (cow, True)
    assert [row.cow for row in rows(parlor.detector.flush())] == ["17"]


@pytest.mark.parametrize("cow", ["18", None])
def test_a_fall_is_told_before_another_cow_takes_the_stall(cow: str | None) -> None:
    """The unit still hangs open: its fall is of the cow who lost it, and the milking lasted until then."""
    parlor = Silent()
    parlor.begin(**(EVENT | FALL))
    parlor.detector.witness.scenes["flow"] = 2.5
    parlor.come(cow)
    results = parlor.live(1.0)
    assert isinstance(results[0], AirEvent)
    assert (results[0].kind, results[0].flow_kg_min) == (AirKind.FALL_OFF, 2.5)
    (row,) = [result for result in results[1:] if isinstance(result, Milking)] or rows(
        parlor.detector.flush()
    )
    assert (row.cow, row.fall_offs, row.end_ns) == ("17", 1, (AT - 249) * BIN_NS)
    assert row.milking_id == results[0].milking_id


def test_the_same_cow_told_again_does_not_end_the_wait_for_a_fallen_unit() -> None:
    """Only another one does."""
    parlor = Silent()
    parlor.begin(**(EVENT | FALL))
    parlor.come("17")
    assert parlor.live(1.0) == []
    told = parlor.detector.flush()
    assert [type(result) for result in told] == [AirEvent, Milking]


def test_cows_take_their_stalls_in_the_order_of_their_time() -> None:
    """However they were announced; who comes later is not there yet."""
    parlor = Silent(2)
    parlor.come("19", in_s=3.05)
    parlor.come("21", stall=2, in_s=0.4)
    parlor.come("18", in_s=0.3)
    seen = []
    for _ in range(3):
        parlor.live(1.4)
        seen.append([now.cow for now in parlor.detector.now()])
    assert seen == [["18", "21"], ["18", "21"], ["19", "21"]]
    assert parlor.detector.timeline.cows == []


def test_what_is_told_late_takes_its_stall_in_the_order_of_its_time_too() -> None:
    """All of it is due at once; the newest word holds."""
    parlor = Silent(2)
    for stall in (2, 1):
        for cow, ago_s in (("19", 1.0), ("17", 3.0), ("18", 2.0)):
            parlor.come(cow, stall=stall, in_s=-ago_s)
    parlor.live(0.7)
    assert [now.cow for now in parlor.detector.now()] == ["19", "19"]


@pytest.mark.parametrize(("late", "cow"), [(9, "18"), (10, "17")])
def test_a_cow_stands_there_from_her_very_bin_on(late: int, cow: str) -> None:
    """A unit put on in the bin in which she came is hers, in the bin before it was the other one's."""
    parlor = Silent()
    parlor.detector.books[0].cow = "17"
    parlor.write(seen_off=1)
    parlor.come("18", in_s=0.05 * late)
    parlor.live(1.0, kpa=UP)
    milking = parlor.detector.books[0].milking
    assert milking is not None
    assert milking.cow == cow
