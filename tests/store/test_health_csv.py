"""CSV dialects are told apart, units honoured, and each bad line costs itself only."""

from __future__ import annotations

from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from detect.errors import InputError
from store.health.csv_file import parse_csv
from store.schema import BULK_TANK, CLINICAL_CASE, TEST_DAY


def test_a_test_day_has_all_its_columns() -> None:
    """Cow, day, cell count and what may stand beside it, in any order of columns."""
    text = "date,cow,scc_cells_ml,group,milk_kg,dim,parity\n2026-03-01,17,210000,fresh,31.5,40,2\n"
    (fact,) = parse_csv(text, where="x").facts
    assert fact.table is TEST_DAY
    assert fact.row == ("17", date(2026, 3, 1), 210_000, 2, 40, 31.5, "fresh")
    assert fact.line == 2


def test_semicolons_commas_as_points_and_thousands() -> None:
    """A spreadsheet of another country: semicolons, decimal commas, cells in thousands."""
    text = "Cow;Date;SCC_1000_ml;milk_kg\n17;2026-03-01;210,5;31,5\n"
    (fact,) = parse_csv(text, where="x").facts
    assert fact.row[2] == 210_500
    assert fact.row[5] == 31.5


def test_clinical_cases_and_bulk_tank_are_known_by_their_header() -> None:
    """A quarter makes a case, a count without a cow the tank."""
    (case,) = parse_csv("cow,date,quarter,pathogen\n17,2026-03-01,LF,uberis\n", where="x").facts
    (tank,) = parse_csv("date,scc_cells_ml\n2026-03-01,180000\n", where="x").facts
    assert case.table is CLINICAL_CASE
    assert case.row == ("17", date(2026, 3, 1), "lf", "uberis", None)
    assert tank.table is BULK_TANK
    assert tank.row == (date(2026, 3, 1), 180_000)


BAD = {
    "17,2026-03-01": "has 2 cells, the header 3",
    ",2026-03-01,100": "cow is missing",
    "17,1.3.2026,100": "no ISO date",
    "17,,100": "date is missing",
    "17,1026-03-01,100": "impossible year",
    "17,2026-03-01,": "scc_cells_ml is missing",
    "17,2026-03-01,many": "no number",
    "17,2026-03-01,-5": "outside 0 to",
    "17,2026-03-01,nan": "outside 0 to",
    "17,2026-03-01,1e12": "outside 0 to",
    '17,"2026-03-01,100': "unexpected end of data",
    "999999999999999,2026-03-01,100": "no ISO 11784 number",
    "17\ufffd,2026-03-01,100": "is not UTF-8",
}


@pytest.mark.parametrize("line", BAD)
def test_a_bad_line_costs_itself_only(line: str) -> None:
    """The line is reported with its number and reason; the ones around it are kept."""
    text = f"cow,date,scc_cells_ml\n1,2026-03-01,100\n{line}\n2,2026-03-01,100\n"
    file = parse_csv(text, where="x")
    assert [fact.row[0] for fact in file.facts] == ["1", "2"]
    (refusal,) = file.refused
    assert refusal.line == 3
    assert BAD[line] in refusal.reason


@pytest.mark.parametrize("text", ["", "\n\n", "a,b\n1,2\n", "cow,scc_cells_ml\n", "cow,cow,date\n"])
def test_a_file_without_a_known_header_is_refused(text: str) -> None:
    """An empty file, or a header that fits nothing, is an error of the file."""
    with pytest.raises(InputError, match="x: "):
        parse_csv(text, where="x")


@given(st.text())
def test_any_text_is_read_or_refused(text: str) -> None:
    """Whatever stands below a header, each line is a fact or a refusal and nothing crashes."""
    file = parse_csv("cow,date,scc_cells_ml\n" + text, where="x")
    lines = [line for line in text.splitlines() if line.strip(", \t")]
    assert len(file.facts) + len(file.refused) == len(lines)
