"""Tables go out and come back the same, and loading twice changes nothing."""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from pathlib import Path

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from detect.errors import InputError
from detect.results import Result
from store.checks import digest, identical
from store.exchange import FILE_NAME, LoadReport, export_tables, load_tables
from store.history import Batch, History, Quarantined
from store.quarantine import QuarantineLimits
from store.rows import TABLE_OF, row_of
from store.schema import CONTRACT_TABLES
from tests.store.drawn import (
    PARLOR,
    SECOND_NS,
    T0_NS,
    air_event,
    any_refused,
    any_result,
    condition,
    full_batch,
    milking,
    refused,
    rows,
)


def table_file(folder: Path, table: str) -> Path:
    """Return the file of one exported table."""
    return folder / table / FILE_NAME


def write_table(folder: Path, table: str, frame: pl.DataFrame) -> Path:
    """Write a frame as a table of a folder to load."""
    table_file(folder, table).parent.mkdir(parents=True)
    frame.write_parquet(table_file(folder, table))
    return folder


def counts(report: LoadReport) -> dict[str, tuple[int, int, int, int]]:
    """Return new, same, changed and refused by table."""
    return {t.table: (t.new, t.same, t.changed, sum(t.refused.values())) for t in report.tables}


def test_an_empty_history_exports_every_table(history: History, tmp_path: Path) -> None:
    """Each table has its folder and, even without rows, its columns."""
    assert set(export_tables(history, tmp_path / "out").values()) == {0}
    for table in CONTRACT_TABLES:
        assert tuple(pl.read_parquet_schema(table_file(tmp_path / "out", table.name))) == table.column_names


def test_what_went_out_comes_back_byte_for_byte(history: History, tmp_path: Path) -> None:
    """Export, load into an empty history, export again: the same files."""
    history.commit(full_batch())
    history.add_maintenance(at_ns=T0_NS, stalls=[1, 2], what="liners")
    export_tables(history, tmp_path / "one")
    with History.open(tmp_path / "copy.duckdb") as copy:
        load_tables(copy, tmp_path / "one")
        assert identical(copy, history)
        export_tables(copy, tmp_path / "two")
    for table in CONTRACT_TABLES:
        one, two = (table_file(tmp_path / name, table.name).read_bytes() for name in ("one", "two"))
        assert one == two


def _first_by_key(results: Sequence[Result]) -> list[Result]:
    """Return the results without those that repeat a key, as a detector would give them."""
    kept = {}
    for result in results:
        table = TABLE_OF[type(result)]
        row = dict(zip(table.column_names, row_of(result), strict=True))
        kept.setdefault((table.name, *(row[name] for name in table.key)), result)
    return list(kept.values())


@settings(max_examples=20, deadline=None)
@given(st.lists(any_result, max_size=12), st.lists(any_refused, max_size=4))
def test_loading_any_export_is_idempotent(results: list[Result], bad: list[Quarantined]) -> None:
    """Whatever was stored, the first load stores all of it and the second nothing."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        with History.open(folder / "a.duckdb") as one, History.open(folder / "b.duckdb") as other:
            one.commit(Batch(PARLOR, _first_by_key(results), [*bad, *bad[:1]]))
            written = sum(export_tables(one, folder / "out").values())
            assert load_tables(other, folder / "out").new == written
            again = load_tables(other, folder / "out")
            assert (again.new, again.refused, sum(t.same for t in again.tables)) == (0, 0, written)
            assert identical(one, other)


def test_two_overlapping_years_join(tmp_path: Path) -> None:
    """Rows in both exports are stored once."""
    with History.open(tmp_path / "joined.duckdb") as joined:
        for year, numbers in (("first", range(6)), ("second", range(4, 9))):
            with History.open(tmp_path / f"{year}.duckdb") as history:
                history.commit(Batch(PARLOR, [milking(n) for n in numbers]))
                export_tables(history, tmp_path / year)
        assert counts(load_tables(joined, tmp_path / "first"))["milking"] == (6, 0, 0, 0)
        assert counts(load_tables(joined, tmp_path / "second"))["milking"] == (3, 2, 0, 0)
        assert len(rows(joined, "FROM milking")) == 9


def test_a_stored_fact_is_not_relabelled(history: History, tmp_path: Path) -> None:
    """Another version of a stored event is refused with its reason, and the stored one stays."""
    history.commit(Batch(PARLOR, [air_event(1), air_event(2)]))
    with History.open(tmp_path / "other.duckdb") as other:
        other.commit(Batch(PARLOR, [air_event(1), air_event(2, depth_kpa=9.0), air_event(3)]))
        export_tables(other, tmp_path / "out")
    report = load_tables(history, tmp_path / "out")
    assert counts(report)["air_event"] == (1, 1, 0, 1)
    assert dict(report.tables[0].refused) == {"another version of it is stored": 1}
    assert rows(history, "SELECT depth_kpa FROM air_event ORDER BY event_id") == [(5.5,), (5.5,), (5.5,)]


@pytest.mark.parametrize("order", ["open first", "closed first"])
def test_a_condition_closes_whichever_export_comes_first(tmp_path: Path, order: str) -> None:
    """An export that knows the end completes the row; an older one does not open it again."""
    end_ns = T0_NS + 90 * SECOND_NS
    with History.open(tmp_path / "a.duckdb") as history:
        history.commit(Batch(PARLOR, [condition()]))
        export_tables(history, tmp_path / "open")
        history.commit(Batch(PARLOR, [condition(end_ns=end_ns, evidence="90 s")]))
        export_tables(history, tmp_path / "closed")
        expected = digest(history)
    folders = ["open", "closed"] if order == "open first" else ["closed", "open"]
    with History.open(tmp_path / "b.duckdb") as joined:
        reports = [counts(load_tables(joined, tmp_path / f))["condition_event"] for f in folders]
        assert digest(joined) == expected
    assert reports == [(1, 0, 0, 0), (0, 0, 1, 0) if order == "open first" else (0, 1, 0, 0)]


def test_types_of_other_tools_are_cast(history: History, tmp_path: Path) -> None:
    """Zoned or nanosecond instants, wider and narrower numbers, categories and left-out columns fit."""
    history.commit(Batch(PARLOR, [milking(1, cow="17", milker=None, group_name=None), air_event(1)]))
    export_tables(history, tmp_path / "out")
    chicago = pl.col("start_at").dt.replace_time_zone("UTC").dt.convert_time_zone("America/Chicago")
    milkings = pl.read_parquet(table_file(tmp_path / "out", "milking"))
    made = milkings.drop("milker", "group_name").with_columns(
        chicago,
        pl.col("end_at").cast(pl.Datetime("ns")),
        pl.col("yield_kg").cast(pl.Float32),
        pl.col("stall").cast(pl.Float64),
        pl.col("slips").cast(pl.Int64),
        pl.col("fall_offs").cast(pl.UInt8),
        pl.col("cow").cast(pl.Int64),
        pl.col("complete").cast(pl.Int8),
    )
    write_table(tmp_path / "made", "milking", made.select(reversed(made.columns)))
    events = pl.read_parquet(table_file(tmp_path / "out", "air_event"))
    write_table(
        tmp_path / "made",
        "air_event",
        events.with_columns(
            pl.col("kind").cast(pl.Categorical),
            pl.col("milking_id").cast(pl.Null),
            pl.col("pulses").cast(pl.Int16),
        ),
    )
    assert counts(load_tables(history, tmp_path / "made")) == {
        "air_event": (0, 1, 0, 0),
        "milking": (0, 1, 0, 0),
    }
    with History.open(tmp_path / "copy.duckdb") as copy:
        load_tables(copy, tmp_path / "made")
        assert identical(copy, history)


def test_impossible_rows_are_refused_and_the_others_kept(history: History, tmp_path: Path) -> None:
    """A row with a missing value, an unknown word or an early end is counted by its reason."""
    history.commit(Batch(PARLOR, [air_event(n) for n in range(4)]))
    export_tables(history, tmp_path / "out")
    number = pl.int_range(pl.len())
    made = pl.read_parquet(table_file(tmp_path / "out", "air_event")).with_columns(
        stall=pl.when(number == 0).then(None).otherwise("stall"),
        kind=pl.when(number == 1).then(pl.lit("burp")).otherwise("kind"),
        end_at=pl.when(number == 2).then(pl.col("start_at") - pl.duration(seconds=1)).otherwise("end_at"),
    )
    write_table(tmp_path / "made", "air_event", made)
    with History.open(tmp_path / "copy.duckdb") as copy:
        (report,) = load_tables(copy, tmp_path / "made").tables
        assert len(rows(copy, "FROM air_event")) == 1
    assert (report.new, dict(report.refused)) == (
        1,
        {"stall is missing": 1, "kind is no known word": 1, "end_at is before start_at": 1},
    )


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (pl.DataFrame.drop, "column stall is missing"),
        (lambda frame, _: frame.with_columns(colour=1), "column colour is unknown to table milking"),
        (lambda frame, name: frame.with_columns(pl.lit("seven").alias(name)), "column stall is String"),
        (lambda frame, name: frame.with_columns(pl.lit(1.5).alias(name)), "column stall is Float64"),
        (lambda frame, name: frame.with_columns(pl.lit(2**40).alias(name)), "column stall is Int64"),
    ],
    ids=["missing", "unknown", "text", "fraction", "too large"],
)
def test_a_table_that_does_not_fit_is_named_and_nothing_is_stored(
    history: History, tmp_path: Path, change: object, message: str
) -> None:
    """A wrong column ends the load with the file and column in one line; other tables stay out too."""
    history.commit(Batch(PARLOR, [milking(1), air_event(1)]))
    export_tables(history, tmp_path / "out")
    file = table_file(tmp_path / "out", "milking")
    assert callable(change)
    change(pl.read_parquet(file), "stall").write_parquet(file)
    with History.open(tmp_path / "copy.duckdb") as copy:
        with pytest.raises(InputError, match=message) as error:
            load_tables(copy, tmp_path / "out")
        assert rows(copy, "FROM air_event") == []
    assert str(file) in str(error.value)
    assert "\n" not in str(error.value)


def test_a_folder_that_holds_no_tables_is_named(history: History, tmp_path: Path) -> None:
    """A missing or empty folder, an unknown table and a broken file are said in one line."""
    with pytest.raises(InputError, match="no such folder"):
        load_tables(history, tmp_path / "nowhere")
    (tmp_path / "empty").mkdir()
    with pytest.raises(InputError, match="holds no tables"):
        load_tables(history, tmp_path / "empty")
    write_table(tmp_path / "odd", "milkings", pl.DataFrame({"n": [1]}))
    with pytest.raises(InputError, match="milkings is no table"):
        load_tables(history, tmp_path / "odd")
    table_file(tmp_path / "broken", "milking").parent.mkdir(parents=True)
    table_file(tmp_path / "broken", "milking").write_bytes(b"PAR1 nothing")
    with pytest.raises(InputError, match="not a readable Parquet file"):
        load_tables(history, tmp_path / "broken")


def test_a_folder_that_cannot_be_written_is_the_users_error(history: History, tmp_path: Path) -> None:
    """Exporting onto a file is said in one line."""
    (tmp_path / "out").write_text("a file")
    with pytest.raises(InputError, match="cannot be written"):
        export_tables(history, tmp_path / "out")


def test_loaded_quarantine_is_capped_too(tmp_path: Path) -> None:
    """Joining refused input keeps to the cap."""
    with History.open(tmp_path / "a.duckdb") as history:
        history.commit(Batch(PARLOR, quarantined=[refused(n) for n in range(8)]))
        export_tables(history, tmp_path / "out")
    with History.open(tmp_path / "b.duckdb", limits=QuarantineLimits(rows=5)) as small:
        load_tables(small, tmp_path / "out")
        assert len(rows(small, "FROM quarantine")) == 5
