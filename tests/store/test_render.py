"""One answer in four formats."""

from __future__ import annotations

import csv
import json
from io import BytesIO, StringIO

import polars as pl
import pytest

from store.history import Batch, History
from store.query import QueryResult, run_query
from store.render import QueryFormat, render
from tests.store.drawn import PARLOR, milking, refused


@pytest.fixture
def answer(history: History) -> QueryResult:
    """Ask for one milking and one refused message."""
    history.commit(Batch(PARLOR, [milking(0, cow="=1+1")], [refused(0, b"\xff{")]))
    sql = "SELECT cow, yield_kg, start_at, milker, payload, 'nan'::DOUBLE AS nan FROM milking, quarantine"
    return run_query(history, sql)


def test_csv_disarms_formulas(answer: QueryResult) -> None:
    """A cow named like a formula reaches the spreadsheet as text; the rest is unchanged."""
    (row,) = csv.DictReader(StringIO(render(answer, QueryFormat.CSV).decode()))
    assert row["cow"] == "'=1+1"
    assert row["yield_kg"] == "12.5"
    assert row["start_at"] == "2025-10-09T08:53:20.000000"
    assert row["payload"] == r"\xff{"


@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t", "\r"])
def test_every_start_of_a_formula_is_disarmed(start: str) -> None:
    """Cells and headings that start with any of the risky characters get an apostrophe."""
    result = QueryResult(pl.DataFrame({f"{start}h": [f"{start}x"]}), truncated=False)
    text = render(result, QueryFormat.CSV).decode().replace('"', "")
    assert text == f"'{start}h\n'{start}x\n"


def test_negative_numbers_stay_numbers() -> None:
    """Only text is disarmed."""
    result = QueryResult(pl.DataFrame({"n": [-1]}), truncated=False)
    assert render(result, QueryFormat.CSV) == b"n\n-1\n"


def test_json_is_a_list_of_objects(answer: QueryResult) -> None:
    """JSON holds the same values; what is no number is null."""
    (row,) = json.loads(render(answer, QueryFormat.JSON))
    assert row["cow"] == "=1+1"
    assert row["yield_kg"] == 12.5
    assert row["milker"] is None
    assert row["nan"] is None


def test_parquet_keeps_the_types(answer: QueryResult) -> None:
    """Parquet gives the frame back, bytes and instants included."""
    assert pl.read_parquet(BytesIO(render(answer, QueryFormat.PARQUET))).equals(answer.frame)


def test_a_table_shows_every_row_and_column() -> None:
    """Nothing is shortened for a person."""
    frame = pl.DataFrame({f"column_{n}": [f"{n}-{row}" + "x" * 100 for row in range(30)] for n in range(20)})
    text = render(QueryResult(frame, truncated=False), QueryFormat.TABLE).decode()
    assert all(f"{n}-{row}x" in text for n in range(20) for row in range(30))
    assert "…" not in text
