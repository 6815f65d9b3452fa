"""Questions to a fleet's partitions: the ready-made view against a hand count, and the fences."""

from __future__ import annotations

from pathlib import Path

import pytest

from detect.errors import InputError
from store.fleet.lake import Lake
from store.fleet.partitions import read_partitions, remove_files
from store.query import run_query
from store.schema import MILKING
from tests.store.milk_lake import COUNTED, filled


def test_slips_are_counted_by_parlor_liner_and_month(tmp_path: Path) -> None:
    """Complete milkings only; the liner is the last one noted for the stall or the whole parlor."""
    with Lake(filled(tmp_path)) as lake:
        rows = run_query(lake, "FROM fleet_slips ORDER BY ALL").rows
    assert rows == COUNTED


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
