"""The book of one stall: whose milking it is, what counts as one, and how its sums become the row."""

from __future__ import annotations

from dataclasses import replace

import pytest

from detect.arm_state import EARLY
from detect.assemble import Figures, StallBook
from detect.kinds import AirKind, Phase
from detect.params import BIN_NS, MilkingParams
from detect.readings import CowAtStall
from detect.results import AirEvent, Milking, Result
from tests.store.drawn import air_event

PARAMS = MilkingParams()
MINUTE = 60 * 10**9 // BIN_NS
"""Bins in a minute."""
WHOLE = Figures(on_bins=6 * MINUTE, data_bins=6 * MINUTE, yield_kg=12.0)
SLIGHT = replace(WHOLE, on_bins=1, data_bins=1, yield_kg=0.0)


def standing(cow: str | None = "17") -> StallBook:
    """Return the book of a stall with a milking just begun."""
    book = StallBook("willowmere", 3, cow=cow)
    book.attach(10 * MINUTE, begun=True)
    return book


def closed(book: StallBook, figures: Figures = WHOLE, *, ended: bool = True) -> Milking | None:
    """Close the milking in hand and return its row, None when it was none."""
    rows = [row for row in book.close(figures, PARAMS, ended=ended) if isinstance(row, Milking)]
    return rows[0] if rows else None


def slip(number: int, **changes: object) -> AirEvent:
    return air_event(number, kind=AirKind.LINER_SLIP, **changes)


def test_two_milkings_of_a_stall_have_names_of_their_own() -> None:
    """Every milking is named after stall and start, so that seven minutes later it is another one."""
    book, names = standing(), []
    for minutes in (10, 17, 24):
        book.attach(minutes * MINUTE, begun=True)
        row = closed(book)
        assert row is not None
        names.append(row.milking_id)
    assert len(set(names)) == 3


def test_the_first_milkings_of_a_stall_are_remembered() -> None:
    """Begin and name of four; of a unit that only touched the udder there is no name."""
    book = StallBook("willowmere", 3, cow="17")
    for k in range(EARLY + 1):
        book.attach(10 * MINUTE * k, begun=True)
        closed(book, SLIGHT if k == 1 else WHOLE)
    assert [begun for begun, _ in book.early] == [10 * MINUTE * k for k in range(EARLY)]
    assert [bool(name) for _, name in book.early] == [True, False, True, True]
    assert book.early[2][1] == f"willowmere-3-{20 * MINUTE * BIN_NS // 10**6}"


def test_bins_become_seconds_and_rates() -> None:
    """12 kg in six minutes are 2 kg/min; half a minute uncarried is 30 s; nine bins of ten are complete."""
    figures = replace(WHOLE, astray_bins=MINUTE // 2, data_bins=54 * MINUTE // 10)
    row = closed(standing(), figures)
    assert row is not None
    assert (row.unit_on_s, row.unsupported_s) == (360.0, 30.0)
    assert row.mean_flow_kg_min == pytest.approx(2.0)
    assert row.coverage_ratio == pytest.approx(0.9)
    assert row.complete


@pytest.mark.parametrize("changes", [{"data_bins": 5 * MINUTE}, {"on_bins": 0, "data_bins": 0}])
def test_less_than_nine_tenths_of_the_data_is_not_complete(changes: dict[str, int]) -> None:
    """A milking of which a sixth, or all, is missing is a row all the same, and not complete."""
    row = closed(standing(), replace(WHOLE, **changes))  # type: ignore[arg-type]
    assert row is not None
    assert not row.complete


def test_what_was_not_seen_to_its_ends_is_not_complete() -> None:
    """A milking that ran when the record began, or when it stopped, is not complete."""
    late = StallBook("willowmere", 3, cow="17")
    late.attach(0, begun=False)
    rows = [closed(late), closed(standing(), ended=False)]
    assert [row.complete for row in rows if row is not None] == [False, False]


def test_slips_are_summed_and_falls_counted_apart() -> None:
    """Litres and impact are those of slips; a late one is in low flow; falls and removals are no slips."""
    book = standing()
    told = [
        slip(1, air_l=0.3, impact_kpa=1.5, phase=Phase.PEAK),
        slip(2, air_l=0.2, impact_kpa=0.5, phase=Phase.LOW_FLOW),
        air_event(3, kind=AirKind.FALL_OFF, air_l=9.0, impact_kpa=9.0),
        air_event(4, kind=AirKind.VACUUM_REMOVAL, air_l=9.0, impact_kpa=9.0),
    ]
    assert [book.keep(event) for event in told] == [[event] for event in told]
    row = closed(book)
    assert row is not None
    assert (row.slips, row.late_slips, row.fall_offs) == (2, 1, 1)
    assert (row.slip_air_l, row.impact_load_kpa) == (pytest.approx(0.5), pytest.approx(2.0))


def test_a_touch_is_no_milking_but_a_fall_makes_it_one() -> None:
    """A unit that only touched the udder is nothing; long, heavy or fallen it is a milking."""
    assert closed(standing(), SLIGHT) is None
    assert closed(standing(), replace(SLIGHT, yield_kg=PARAMS.least_kg)) is not None
    long = round(PARAMS.shortest_s) * MINUTE // 60
    assert closed(standing(), replace(SLIGHT, on_bins=long)) is not None
    book = standing()
    book.keep(air_event(1, kind=AirKind.FALL_OFF))
    assert closed(book, SLIGHT) is not None
    assert closed(standing(), SLIGHT, ended=False) is not None


def test_without_a_cow_it_takes_twice_the_time_and_the_milk() -> None:
    """What nobody stands at may be a wash: a little less of either does not make it a milking."""
    long, heavy = round(2 * PARAMS.shortest_s) * MINUTE // 60, 2 * PARAMS.least_kg
    made = {
        (on, kg): closed(standing(None), replace(WHOLE, on_bins=on, yield_kg=kg)) is not None
        for on in (long - 1, long)
        for kg in (0.99 * heavy, heavy)
    }
    assert [key for key, is_row in made.items() if is_row] == [(long, heavy)]


def test_a_wash_is_nothing_and_takes_its_events_along() -> None:
    """Of a wash neither a row nor what was held for a cow comes out."""
    book = standing(None)
    assert book.keep(slip(1)) == []
    assert book.milking is not None
    book.milking.wash = True
    assert book.close(WHOLE, PARAMS, ended=True) == []
    assert book.release(WHOLE, PARAMS) == []


def test_a_late_name_gives_out_what_was_held_once() -> None:
    """Events wait for a name, come out with it in their order, and not again with the row."""
    book = standing(None)
    held: list[Result] = [slip(1), slip(2)]
    assert [book.keep(event) for event in held if isinstance(event, AirEvent)] == [[], []]
    assert book.identify(CowAtStall(3, 0, "17", milker="m1", group="g1")) == held
    assert book.identify(CowAtStall(3, 1, "18")) == []
    row = closed(book)
    assert row is not None
    assert (row.cow, row.milker, row.group_name, row.slips) == ("17", "m1", "g1", 2)


def test_what_was_held_comes_out_once_it_is_sure_to_be_a_milking() -> None:
    """Too little milk so far holds it back, a wash for good; then the rest comes at once, the row alone."""
    book = standing(None)
    held: list[Result] = [slip(1), slip(2)]
    assert [book.keep(event) for event in held if isinstance(event, AirEvent)] == [[], []]
    assert book.release(replace(WHOLE, yield_kg=1.9 * PARAMS.least_kg), PARAMS) == []
    assert book.milking is not None
    book.milking.wash = True
    assert book.release(WHOLE, PARAMS) == []
    book.milking.wash = False
    assert book.release(WHOLE, PARAMS) == held
    assert book.release(WHOLE, PARAMS) == []
    assert book.keep(slip(3)) == [slip(3)]
    fallen = replace(WHOLE, on_bins=MINUTE // 2)  # the time that a unit lay open is taken off again
    (row,) = book.close(fallen, PARAMS, ended=True)
    assert isinstance(row, Milking)
    assert (row.slips, row.unit_on_s) == (3, 30.0)


def test_without_a_milking_there_is_nothing_to_keep_or_close() -> None:
    """An event or an end between milkings belongs to nobody."""
    book = StallBook("willowmere", 3)
    assert book.keep(slip(1)) == []
    assert book.close(WHOLE, PARAMS, ended=True) == []


def test_a_row_lasts_from_its_first_bin_to_its_last() -> None:
    """Instants are those of the bins, in ns."""
    book = standing()
    assert book.milking is not None
    book.milking.end_bin = 17 * MINUTE
    row = closed(book)
    assert row is not None
    assert (row.start_ns, row.end_ns) == (600 * 10**9, 1_020 * 10**9)
