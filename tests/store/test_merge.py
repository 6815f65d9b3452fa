"""What merging counts and stores, row by row, against a count by hand."""

from __future__ import annotations

from datetime import date, datetime
from typing import Any

import polars as pl
import pytest

from store.history import History
from store.merge import MergeCount, merge
from store.rows import instant
from store.schema import BULK_TANK, CONDITION_EVENT, MAINTENANCE, Table
from tests.store.drawn import SECOND_NS, T0_NS, rows


def merged(history: History, table: Table, *incoming: tuple[Any, ...]) -> MergeCount:
    """Merge rows in a transaction of their own."""
    frame = pl.DataFrame(
        list(incoming), schema=list(table.column_names), orient="row", infer_schema_length=None
    )
    with history.transaction() as connection:
        return merge(connection, table, frame)


def hour(number: int) -> datetime:
    return instant(T0_NS + number * 3600 * SECOND_NS)


def day(number: int) -> date:
    return date(2031, 3, number)


def test_every_incoming_row_is_counted_once(history: History) -> None:
    """New, the same again, and contradicting, within the file and against the history: two of each."""
    assert merged(history, BULK_TANK, (day(3), 150_000), (day(4), 160_000)) == MergeCount(2, 0, 0, 0)
    count = merged(
        history,
        BULK_TANK,
        (day(1), 100_000),
        (day(1), 100_000),  # the same within the file
        (day(2), 110_000),
        (day(2), 120_000),  # contradicts the one before
        (day(3), 150_000),  # the same as stored
        (day(4), 999_000),  # contradicts what is stored
    )
    assert count == MergeCount(new=2, same=2, changed=0, contradicting=2)
    stored = dict(rows(history, "FROM bulk_tank"))
    assert stored.pop(day(2)) in (110_000, 120_000)
    assert stored == {day(1): 100_000, day(3): 150_000, day(4): 160_000}


def test_what_may_stand_twice_stands_as_often_as_the_side_that_has_it_oftener(history: History) -> None:
    """Two equal notes are two works: loaded again they are no more, and a third one is."""
    at = hour(5)
    note, other = (at, 3, "liners changed", None), (at, None, "pump serviced", "belt")
    assert merged(history, MAINTENANCE, note) == MergeCount(1, 0, 0, 0)
    assert merged(history, MAINTENANCE, note, note, other) == MergeCount(2, 1, 0, 0)
    assert merged(history, MAINTENANCE, note, note, other) == MergeCount(0, 3, 0, 0)
    assert merged(history, MAINTENANCE, note) == MergeCount(0, 1, 0, 0)
    assert merged(history, MAINTENANCE, note, note, note) == MergeCount(1, 2, 0, 0)
    assert rows(history, "SELECT what, count(*) FROM maintenance GROUP BY what ORDER BY what") == [
        ("liners changed", 3),
        ("pump serviced", 1),
    ]


@pytest.mark.parametrize("closed_first", [False, True])
def test_a_condition_is_closed_once_and_never_opened_again(history: History, *, closed_first: bool) -> None:
    """Its end closes an open one; an open report of a closed one is no news; another end contradicts."""
    begin, found, end = (hour(number) for number in (5, 6, 7))
    opened = ("willowmere", 3, begin, None, found, "steady_leak", "12 L/min")
    closed = (*opened[:3], end, *opened[4:])
    reports = [closed, opened] if closed_first else [opened, closed]
    counts = [merged(history, CONDITION_EVENT, report) for report in reports]
    assert counts[0] == MergeCount(1, 0, 0, 0)
    assert counts[1] == (MergeCount(0, 1, 0, 0) if closed_first else MergeCount(0, 0, 1, 0))
    later = (*opened[:3], hour(8), *opened[4:])
    assert merged(history, CONDITION_EVENT, later) == MergeCount(0, 0, 0, 1)
    assert rows(history, "SELECT end_at FROM condition_event") == [(end,)]
