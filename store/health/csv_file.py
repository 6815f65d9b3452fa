"""Health records as CSV: test days, clinical cases or the bulk tank, told apart by their header.

Each line is read by itself, so that a stray quotation mark costs one line and not the rest of the file.
"""

from __future__ import annotations

import csv
from collections.abc import Callable, Mapping
from typing import Final

from detect.errors import InputError
from detect.kinds import Channel
from store.engine import Row
from store.health.cow_id import tidy_cow
from store.health.records import (
    HIGHEST_SCC,
    Beside,
    Fact,
    HealthFile,
    Refusal,
    clinical_case,
    read_count,
    read_day,
    read_number,
    test_day,
)
from store.schema import BULK_TANK, CLINICAL_CASE, TEST_DAY, Table

_SCC: Final = ("scc_cells_ml", "scc_1000_ml")
_COLUMNS: Final[dict[Table, tuple[str, ...]]] = {
    TEST_DAY: ("cow", "date", *_SCC, "parity", "dim", "milk_kg", "group"),
    CLINICAL_CASE: ("cow", "date", "quarter", "pathogen", "severity"),
    BULK_TANK: ("date", *_SCC),
}
_QUARTERS: Final = tuple(channel.value for channel in Channel if channel is not Channel.CLAW)
_EXPECTED: Final = "expected a header with cow,date,scc_cells_ml or cow,date,quarter or date,scc_cells_ml"

Cells = Mapping[str, str]
"""One line by column name."""


def parse_csv(text: str, *, where: str) -> HealthFile:
    """Return what the lines of a CSV file say.

    Parameters
    ----------
    text:
        The file's content; the delimiter is a comma, a semicolon or a tab, whichever the header has.
    where:
        The file's name, for errors.

    Raises
    ------
    InputError
        When the header is missing, repeats a column or fits no kind of record.
    """
    lines = text.splitlines()
    first = next((i for i, line in enumerate(lines) if line.strip()), None)
    if first is None:
        raise InputError(f"is empty; {_EXPECTED}", where=where)
    delimiter = max(";\t,", key=lines[first].count)
    header = [name.strip().strip('"').lower() for name in lines[first].split(delimiter)]
    table = _table_of(header, where)
    unknown = tuple(name for name in header if name and name not in _COLUMNS[table])
    file = HealthFile(unknown_columns=unknown)
    for number, line in enumerate(lines[first + 1 :], start=first + 2):
        if line.strip(f"{delimiter} \t"):
            _take(file, table, (number, line), (header, delimiter))
    return file


def _table_of(header: list[str], where: str) -> Table:
    """Return the table whose records a header announces."""
    names = set(header)
    if repeated := sorted(name for name in names if name and header.count(name) > 1):
        raise InputError(f"column {repeated[0]} stands twice", where=where)
    counted = bool(names & set(_SCC))
    if "date" not in names or not ("cow" in names or counted):
        raise InputError(_EXPECTED, where=where)
    if not counted:
        return CLINICAL_CASE
    return TEST_DAY if "cow" in names else BULK_TANK


def _take(file: HealthFile, table: Table, numbered: tuple[int, str], form: tuple[list[str], str]) -> None:
    """Read one line into the file's facts or refusals."""
    number, line = numbered
    header, delimiter = form
    try:
        file.facts.append(Fact(table, _ROWS[table](_cells(line, header, delimiter)), number))
    except (ValueError, csv.Error) as error:
        file.refused.append(Refusal(number, str(error)))


def _cells(line: str, header: list[str], delimiter: str) -> Cells:
    """Return one line by column name."""
    if "\ufffd" in line:
        raise ValueError("is not UTF-8")
    cells = next(csv.reader([line], delimiter=delimiter, strict=True))
    if len(cells) != len(header):
        raise ValueError(f"has {len(cells)} cells, the header {len(header)}")
    return dict(zip(header, (cell.strip() for cell in cells), strict=True))


def _scc(cells: Cells) -> int:
    """Return the cell count [cells/mL], whichever of the two columns has it."""
    if plain := cells.get("scc_cells_ml", ""):
        return round(read_number("scc_cells_ml", plain, low=0, high=HIGHEST_SCC))
    name = "scc_1000_ml" if "scc_1000_ml" in cells else "scc_cells_ml"
    return round(1000.0 * read_number(name, cells.get(name, ""), low=0, high=HIGHEST_SCC / 1000))


def _test_day(cells: Cells) -> Row:
    """Return one test day's row."""
    parity, dim, milk = (cells.get(name, "") for name in ("parity", "dim", "milk_kg"))
    beside = Beside(
        parity=read_count("parity", parity, low=0, high=20) if parity else None,
        dim=read_count("dim", dim, low=0, high=2000) if dim else None,
        milk_kg=read_number("milk_kg", milk, low=0, high=150) if milk else None,
        group_name=cells.get("group") or None,
    )
    return test_day(tidy_cow(cells["cow"]), read_day(cells["date"]), _scc(cells), beside)


def _clinical_case(cells: Cells) -> Row:
    """Return one clinical case's row."""
    quarter = cells.get("quarter", "").lower() or None
    if quarter is not None and quarter not in _QUARTERS:
        raise ValueError(f"quarter {quarter} is none of {', '.join(_QUARTERS)}")
    told = (cells.get("pathogen") or None, cells.get("severity") or None)
    return clinical_case(tidy_cow(cells["cow"]), read_day(cells["date"]), quarter, told)


def _bulk_tank(cells: Cells) -> Row:
    """Return one bulk tank sample's row."""
    return (read_day(cells["date"]), _scc(cells))


_ROWS: Final[dict[Table, Callable[[Cells], Row]]] = {
    TEST_DAY: _test_day,
    CLINICAL_CASE: _clinical_case,
    BULK_TANK: _bulk_tank,
}
