"""Importing records is idempotent, corrections replace, and cows meet in all their spellings."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from store.exchange import export_tables, load_tables
from store.health.cow_id import NATIONAL_LIMIT, cow_key, tidy_cow
from store.health.importer import import_health, unmatched_cows
from store.history import Batch, History
from tests.store.drawn import PARLOR, milking, rows

TESTS = "cow,date,scc_cells_ml\n17,2026-03-01,100000\n18,2026-03-01,300000\n"


def counts(history: History, *files: Path) -> list[tuple[int, int, int, int]]:
    imported = import_health(history, files)
    return [(t.new, t.changed, t.same, t.withdrawn) for file in imported for t in file.tables]


def test_twice_is_as_good_as_once_and_a_correction_replaces(history: History, tmp_path: Path) -> None:
    """The second import knows all; a corrected count is a change, not a second row."""
    file = tmp_path / "tests.csv"
    file.write_text(TESTS)
    assert counts(history, file) == [(2, 0, 0, 0)]
    assert counts(history, file) == [(0, 0, 2, 0)]
    file.write_text(TESTS.replace("300000", "310000"))
    assert counts(history, file) == [(0, 1, 1, 0)]
    assert rows(history, "SELECT cow, scc_cells_ml FROM test_day ORDER BY cow") == [
        ("17", 100_000),
        ("18", 310_000),
    ]


def test_one_cow_in_two_spellings_is_one_record(history: History, tmp_path: Path) -> None:
    """A farm number with zeros in front is the same; a contradiction in one file is refused."""
    file = tmp_path / "tests.csv"
    file.write_text("cow,date,scc_cells_ml\n017,2026-03-01,100000\n17,2026-03-01,100000\n0017,2026-03-01,5\n")
    (imported,) = import_health(history, [file])
    assert [(t.new, t.same) for t in imported.tables] == [(1, 0)]
    assert "contradicts line 2" in imported.refused[0].reason


def test_a_withdrawn_record_goes(history: History, tmp_path: Path) -> None:
    """A record its source has deleted is removed from the history."""
    good = (
        '{"resourceType": "icarTestDayResultEventResource", "animal": {"id": "17"}, "eventDateTime": '
        '"2026-03-01T00:00:00Z", "milkCharacteristics": [{"characteristic": "SCC", "value": "100"}], '
        '"meta": {"isDeleted": %s}}'
    )
    file = tmp_path / "tests.json"
    file.write_text(good % "false")
    assert counts(history, file) == [(1, 0, 0, 0)]
    file.write_text(good % "true")
    assert counts(history, file) == [(0, 0, 0, 1)]
    assert rows(history, "FROM test_day") == []


def test_unmatched_cows_are_listed(history: History, tmp_path: Path) -> None:
    """Cows of the records that were never milked are named once, whatever the spelling of the others."""
    history.commit(Batch(PARLOR, [milking(1, cow="NL 6802 5082 9"), milking(2, cow="0017")]))
    file = tmp_path / "tests.csv"
    file.write_text("cow,date,scc_cells_ml\nnl-680250829,2026-03-01,1\n17,2026-03-01,1\n99,2026-03-01,1\n")
    import_health(history, [file])
    assert unmatched_cows(history) == ["99"]


def test_health_records_leave_and_come_back_with_the_tables(history: History, tmp_path: Path) -> None:
    """Export and load carry test days, cases and bulk tank into another history."""
    for name, text in {
        "t.csv": TESTS,
        "c.csv": "cow,date,quarter\n17,2026-03-02,lf\n17,2026-03-02,\n",
        "b.csv": "date,scc_cells_ml\n2026-03-01,150000\n",
    }.items():
        (tmp_path / name).write_text(text)
    import_health(history, [tmp_path / name for name in ("t.csv", "c.csv", "b.csv")])
    export_tables(history, tmp_path / "out")
    with History.open(tmp_path / "other.duckdb") as other:
        load_tables(other, tmp_path / "out")
        for table in ("test_day", "clinical_case", "bulk_tank"):
            assert rows(other, f"FROM {table} ORDER BY ALL") == rows(history, f"FROM {table} ORDER BY ALL")
            assert rows(other, f"FROM {table}")


@pytest.mark.source("CRAN ISO11784Tools, readme: 999123456789012 is 3E7.1CBE991A14")
def test_the_electronic_number_in_hexadecimal_is_the_decimal_one() -> None:
    """Dotted hexadecimal is read as 15 digits."""
    assert tidy_cow("3E7.1CBE991A14") == "999123456789012"


@pytest.mark.source("ISO 11784: 38 bits of national number (bit table seen in an ICAR paper)")
def test_fifteen_digits_must_fit_the_bits() -> None:
    """The largest national number passes, the next does not; a country's zeros stay."""
    assert tidy_cow(f"276{NATIONAL_LIMIT - 1}") == f"276{NATIONAL_LIMIT - 1}"
    assert tidy_cow("040 000000000017") == "040000000000017"
    with pytest.raises(ValueError, match="no ISO 11784 number"):
        tidy_cow(f"276{NATIONAL_LIMIT}")


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=60)
@given(st.text(alphabet="0123456789 abzANL.-_/é", max_size=18))
def test_the_rule_is_the_same_in_sql(history: History, cow: str) -> None:
    """The macro ``cow_key`` and the function agree on any spelling."""
    reader = history.reader()
    try:
        assert reader.execute("SELECT cow_key($1)", [cow]).fetchall() == [(cow_key(cow),)]
    finally:
        reader.close()
