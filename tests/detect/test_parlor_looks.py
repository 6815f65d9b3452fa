"""What is looked at each ten seconds: milkings that timed out, a wash, and what needs a technician."""

from __future__ import annotations

import pytest

from detect.kinds import Condition
from detect.params import BIN_NS
from detect.results import ConditionEvent, Milking, PlantEvent, Result
from tests.detect.silent import AT, EVENT, Silent, rows

OUT_BINS = 100
"""Bins (5 s) for which the units below are off."""


def timed_out(cow: str | None, **fields: int) -> tuple[int, list[Result]]:
    """Let a minute pass over a milking with patiences of 20 and 40 s; return until when nothing was told."""
    parlor = Silent(reattach_s=20.0, same_cow_s=40.0)
    parlor.begin(cow=cow, **fields)
    milking = parlor.detector.books[0].milking
    assert milking is not None
    milking.end_bin = AT - OUT_BINS
    while not (results := parlor.live(0.7)) and parlor.bin < AT + 1_200:
        pass
    return parlor.bin - AT, results


def frame_of(look: int) -> int:
    """Return the end of the frame of 14 bins that first reaches a bin."""
    return -(-look // 14) * 14


@pytest.mark.parametrize(("cow", "look"), [(None, 400), ("17", 800)])
def test_a_milking_is_over_at_the_first_look_after_its_patience(cow: str | None, look: int) -> None:
    """Off for 5 s: a nameless one at the look 20 s on (15 s were not enough at 10 s), a named one at 40 s."""
    waited, results = timed_out(cow)
    (row,) = rows(results)
    assert (waited, row.cow, row.complete) == (frame_of(look), cow, True)
    assert row.end_ns == (AT - OUT_BINS) * BIN_NS


def test_a_milking_goes_on_for_as_long_as_its_unit_is_on() -> None:
    """Whatever its last removal was."""
    assert timed_out(None, attached=1)[1] == []


@pytest.mark.parametrize(
    ("stalls", "bare", "washes"), [(2, 1, False), (2, 2, True), (10, 2, False), (10, 3, True)]
)
def test_many_units_under_vacuum_without_cows_are_a_wash(stalls: int, bare: int, washes: bool) -> None:
    """From two stalls and three of ten on; what ran meanwhile under no name is no milking."""
    parlor = Silent(stalls)
    parlor.detector.cow_feed = True
    for stall in range(1, bare + 1):
        parlor.begin(stall, cow=None, attached=1)
    parlor.begin(stalls, cow="17", attached=1)
    if bare == stalls:
        parlor.detector.books[-1].cow = None  # she left under the unit: it is bare, the milking is hers
    parlor.live(21.0)
    told = rows(parlor.detector.flush())
    assert [row.cow for row in told] == ([] if washes else [None] * bare) + ["17"]


def test_without_names_no_wash_is_told_from_a_milking() -> None:
    """Where nobody ever says who stands where, every stall is bare; an empty stall is no name."""
    parlor = Silent(2)
    for stall in (1, 2):
        parlor.come(None, stall=stall)
        parlor.begin(stall, cow=None, attached=1)
    parlor.live(21.0)
    assert [row.cow for row in rows(parlor.detector.flush())] == [None, None]


def test_who_tells_one_cow_tells_them_all() -> None:
    """From the first name on bare stalls are bare, also when the next word is of an empty one."""
    parlor = Silent(3)
    parlor.come("17", stall=3)
    parlor.come(None, stall=3, in_s=0.2)
    for stall in (1, 2):
        parlor.begin(stall, cow=None, attached=1)
    parlor.live(21.0)
    assert rows(parlor.detector.flush()) == []


SLOW = {"drain": {"n": 1, "bin": AT - 500, "rate": 4.0, "quiet": 42.0}}


def drained(parlor: Silent, times: int) -> list[Result]:
    """Let so many take-offs drain at a third of the pace that is usual at the stall; return what is told."""
    results = list[Result]()
    norm = parlor.detector.state["norms"]
    norm["drain_n"], norm["drain_rate"] = 8, 3.0 * SLOW["drain"]["rate"]
    for number in range(1, times + 1):
        drain = parlor.detector.state["drain"]
        for name, value in (SLOW["drain"] | {"n": number}).items():
            drain[name] = value
        results += parlor.live(10.0)
    return [result for result in results if isinstance(result, ConditionEvent)]


@pytest.mark.parametrize("life", ["milking", "wash", "nothing"])
def test_only_milked_units_tell_of_their_vents(life: str) -> None:
    """Two slow take-offs in a row are told of a milking, not of a wash and not of an idle stall."""
    parlor = Silent()
    if life != "nothing":
        parlor.begin()
    milking = parlor.detector.books[0].milking
    if milking is not None:
        milking.wash = life == "wash"
    told = drained(parlor, 2)
    assert [(event.parlor, event.condition) for event in told if isinstance(event, ConditionEvent)] == (
        [("willowmere", Condition.SLOW_VACUUM_DECAY)] if life == "milking" else []
    )


def test_what_was_missing_of_a_milking_is_one_event_told_with_its_row() -> None:
    """From the first gap's begin to the last one's end, with their number and their seconds."""
    parlor = Silent()
    parlor.begin(attached=1, settled=1, missing=10, gap_bin=AT - 10)
    quiet = {1: 42.0}
    assert parlor.live(0.7, kpa=quiet) == []
    parlor.write(missing=4, gap_bin=AT + 10)
    assert parlor.live(0.7, kpa=quiet) == []
    gap = next(r for r in parlor.detector.flush() if isinstance(r, ConditionEvent))
    assert (gap.start_ns, gap.end_ns) == ((AT - 10) * BIN_NS, (AT + 14) * BIN_NS)
    assert (gap.stall, gap.condition) == (1, Condition.DATA_GAP)
    assert gap.evidence == "2 gaps, 0.7 s of the unit's vacuum missing"


def test_what_was_missing_of_a_unit_that_is_off_tears_no_milking() -> None:
    """Its cow may come round again."""
    parlor = Silent()
    parlor.begin(missing=10, gap_bin=AT - 10)
    parlor.live(0.7, kpa={1: 0.3})
    assert [type(result) for result in parlor.detector.flush()] == [Milking]


def test_a_dip_of_the_plant_is_told_once_it_is_over() -> None:
    """With its depth and how many stalls felt it; it is of no stall."""
    parlor = Silent(2)
    plant = parlor.detector.plant
    plant["slow"], plant["seen"] = 44.0, 1
    plant["dip_run"], plant["dip_bin"], plant["dip_last"] = 9, AT - 30, AT - 10
    plant["dip_depth"], plant["dip_touched"] = 3.25, 2
    assert parlor.live(0.7) == [
        PlantEvent("willowmere", (AT - 30) * BIN_NS, (AT - 9) * BIN_NS, depth_kpa=3.25, stalls_touched=2)
    ]


def test_a_slip_counts_for_its_milking_and_teaches_the_parlor() -> None:
    """What the cow may be charged with is in her memory once her milking is over; an idle stall has none."""
    parlor = Silent()
    event = EVENT | {"opening": 2, "attached": 1, "settled": 1, "missing": 100, "gap_bin": AT - 100}
    parlor.begin(**(event | {"kpa": 42.0}))
    (slip,) = parlor.live(0.7, kpa={1: 42.0})
    assert slip.detector == parlor.detector.label  # type: ignore[union-attr]
    (row,) = rows(parlor.detector.flush())
    assert (row.slips, row.slip_air_l) == (1, 0.7)
    slips, attached_s = parlor.detector.history.cows["17"]
    assert 0.5 < slips <= 1.0
    assert attached_s == pytest.approx(row.unit_on_s)
    assert 0.5 < parlor.detector.history.counts.sum() <= 1.0
    idle = Silent()
    idle.write(**event)
    assert idle.live(0.7, kpa={1: 42.0}) == []
