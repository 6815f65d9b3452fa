"""A stretch of missing frames becomes one row that counts them."""

from __future__ import annotations

import pytest

from store.batch import MissingFrames
from store.gaps import gap_row
from store.history import Batch, History
from tests.store.drawn import PARLOR, SECOND_NS, T0_NS, rows

STALL, PLANT = 7, None


@pytest.mark.parametrize(("first", "last", "frames"), [(4, 4, 1), (4, 6, 3), (0, 999, 1000)])
def test_both_ends_of_a_gap_are_missing(history: History, first: int, last: int, frames: int) -> None:
    """From number 4 to number 6 three frames are missing."""
    gap = MissingFrames(STALL, "vacuum", "b1", first, last, T0_NS, T0_NS + SECOND_NS)
    history.commit(Batch(PARLOR, missing=[gap]))
    sql = "SELECT parlor, stall, stream, boot, first_seq, last_seq, frames FROM data_gap"
    assert rows(history, sql) == [(PARLOR, STALL, "vacuum", "b1", first, last, frames)]


@pytest.mark.parametrize("end_s", [3, -3], ids=["clock goes on", "clock set back"])
def test_a_gap_never_ends_before_it_begins(end_s: int) -> None:
    """Device times around a gap may run backwards; the row keeps the order of time."""
    row = gap_row(PARLOR, MissingFrames(PLANT, "vacuum", None, 1, 2, T0_NS, T0_NS + end_s * SECOND_NS))
    start, end = row[-2:]
    assert row[1] is PLANT
    assert start <= end
    assert (end - start).total_seconds() == max(end_s, 0)
