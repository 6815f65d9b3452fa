"""Questions to a fleet's partitions: the ready-made view against a hand count, and the fences."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import pytest

from detect.errors import InputError
from store.engine import Row
from store.fleet.lake import Lake
from store.fleet.partitions import Origin, Place, read_partitions, remove_files, write_rows
from store.query import run_query
from store.schema import MAINTENANCE, MILKING

MARCH, APRIL = datetime(2031, 3, 31, 23, 59), datetime(2031, 4, 1, 0, 10)  # noqa: DTZ001 - as stored


def milking(parlor: str, stall: int, start: datetime, slips: int, *, complete: bool = True) -> Row:
    """Return a milking's row with a given number of slips of half a litre."""
    name = f"{parlor}-{stall}-{start:%m%d%H%M}"
    numbers = (12.0, 300.0, 2.4, 4.0, 5.0, 20.0, 42.0, 3.0)
    counts = (slips, 0.5 * slips, 0, 0.0, 0, 0, 0.0, 1.0, complete)
    return (name, parlor, stall, "7", None, None, start, start, *numbers, *counts)


def filled(out: Path) -> Path:
    """Write two parlors' milkings of two months, one of which changed its liners."""
    north = [
        milking("north", 1, MARCH, 2),
        milking("north", 2, MARCH, 4),
        milking("north", 1, APRIL, 1),
        milking("north", 2, APRIL, 0),
        milking("north", 2, APRIL.replace(hour=5), 50, complete=False),
    ]
    changes: list[Row] = [
        (datetime(2031, 1, 1), None, "liners changed", "round"),  # noqa: DTZ001 - as stored
        (datetime(2031, 4, 1), 1, "liners changed", "square"),  # noqa: DTZ001 - as stored
        (datetime(2031, 4, 1), 2, "hose supports adjusted", "square"),  # noqa: DTZ001 - as stored
    ]
    write_rows({MILKING.name: north, MAINTENANCE.name: changes}, Place(out, "north", "told"), Origin(2, "ab"))
    write_rows({MILKING.name: [milking("007", 1, APRIL, 3)]}, Place(out, "007", "told"), Origin(2, "ab"))
    return out


def test_slips_are_counted_by_parlor_liner_and_month(tmp_path: Path) -> None:
    """Complete milkings only; the liner is the last one noted for the stall or the whole parlor."""
    with Lake(filled(tmp_path)) as lake:
        rows = run_query(lake, "FROM fleet_slips ORDER BY ALL").rows
    assert rows == [
        ("007", "unknown", "2031-04", 1, 3, 300.0, 1.5),
        ("north", "round", "2031-03", 2, 6, 300.0, 3.0),
        ("north", "round", "2031-04", 1, 0, 0.0, 0.0),
        ("north", "square", "2031-04", 1, 1, 100.0, 0.5),
    ]


def test_a_table_without_rows_can_be_asked(tmp_path: Path) -> None:
    """A fleet in which no dip was found has an empty table of dips, with its columns."""
    with Lake(filled(tmp_path)) as lake:
        empty = run_query(lake, "SELECT * FROM plant_event").frame
    assert empty.height == 0
    assert {"parlor", "date", "depth_kpa", "detector_version", "params_digest"} <= set(empty.columns)


@pytest.mark.parametrize(
    "sql",
    [
        "COPY milking TO 'stolen.parquet'",
        "FROM read_csv('/etc/passwd')",
        "SET enable_external_access = true",
        "CREATE TABLE x AS FROM milking",
    ],
)
def test_a_question_reads_the_tables_and_nothing_else(tmp_path: Path, sql: str) -> None:
    """No statement writes, reaches another file or opens the fences."""
    with Lake(filled(tmp_path)) as lake, pytest.raises(InputError):
        run_query(lake, sql)


def test_a_folder_without_tables_is_the_users_mistake(tmp_path: Path) -> None:
    """Where no fleet run has written there is nothing to ask."""
    with pytest.raises(InputError, match="no fleet run"):
        Lake(tmp_path)


def test_rows_lie_under_the_day_on_which_they_began(tmp_path: Path) -> None:
    """A minute before midnight is another partition; a file is replaced, not added to."""
    filled(tmp_path)
    before = read_partitions(tmp_path, MILKING)
    filled(tmp_path)
    assert read_partitions(tmp_path, MILKING).equals(before)
    days = before.filter(parlor="north").group_by("date").len().sort("date").rows()
    assert days == [("2031-03-31", 2), ("2031-04-01", 3)]
    remove_files(tmp_path, ["milking/parlor=007/date=2031-04-01/told.parquet"] * 2)
    assert set(read_partitions(tmp_path, MILKING)["parlor"]) == {"north"}
