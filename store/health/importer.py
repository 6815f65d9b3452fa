"""Health records into the history: what is new, changed or the same, refused, and whose cow is unknown.

Reading a file again changes nothing; a corrected record replaces the one of the same cow and day.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import duckdb

from detect.errors import InputError
from store.engine import append_rows, numbers
from store.exposure import count_anew
from store.health.ade_file import parse_ade
from store.health.cow_id import cow_key
from store.health.csv_file import parse_csv
from store.health.records import HEALTH_TABLES, Fact, HealthFile, Refusal
from store.history import History
from store.schema import Table

_UNMATCHED: Final = """
SELECT min(cow) AS cow FROM (
    SELECT cow FROM test_day UNION ALL SELECT cow FROM clinical_case
)
WHERE cow_key(cow) NOT IN (SELECT DISTINCT cow_key(cow) FROM milking WHERE cow IS NOT NULL)
GROUP BY cow_key(cow)
ORDER BY cow_key(cow)
"""


@dataclass(frozen=True, slots=True)
class HealthReport:
    """What importing one file did to one table."""

    table: str
    new: int
    changed: int
    same: int
    withdrawn: int


@dataclass(frozen=True, slots=True)
class ImportedFile:
    """What importing one file did, what it refused, and columns nobody knows."""

    path: Path
    tables: tuple[HealthReport, ...]
    refused: tuple[Refusal, ...]
    unknown_columns: tuple[str, ...]


def read_health(path: Path) -> HealthFile:
    """Read one file of health records, CSV or ICAR Animal Data Exchange JSON, told apart by its start.

    Raises
    ------
    InputError
        When it cannot be read or is neither.
    """
    try:
        text = path.read_bytes().decode("utf-8-sig", errors="replace")
    except OSError as error:
        raise InputError(f"cannot be read: {error.strerror}", where=str(path)) from error
    if text.lstrip()[:1] in ("{", "["):
        return parse_ade(text, where=str(path))
    return parse_csv(text, where=str(path))


def import_health(history: History, paths: Sequence[Path]) -> tuple[ImportedFile, ...]:
    """Bring files of health records into a history, all of them or nothing.

    Raises
    ------
    InputError
        When a file cannot be read at all.
    StoreError
        When the history cannot be written.
    """
    read = [(path, read_health(path)) for path in paths]
    with history.transaction() as connection:
        told = tuple(_store(connection, path, file) for path, file in read)
        count_anew(connection)
        return told


def unmatched_cows(history: History) -> list[str]:
    """Return the cows with health records that were never milked under a number like theirs."""
    reader = history.reader()
    try:
        return [cow for (cow,) in reader.execute(_UNMATCHED).fetchall()]
    finally:
        reader.close()


def _store(connection: duckdb.DuckDBPyConnection, path: Path, file: HealthFile) -> ImportedFile:
    """Store one file's facts within the open transaction."""
    refused = list(file.refused)
    reports = []
    for table in HEALTH_TABLES:
        facts = _distinct([fact for fact in file.facts if fact.table is table], refused)
        gone = [fact for fact in file.withdrawn if fact.table is table]
        if facts or gone:
            reports.append(_merge(connection, table, facts, gone))
    refused.sort(key=lambda each: each.line)
    return ImportedFile(path, tuple(reports), tuple(refused), file.unknown_columns)


def _distinct(facts: list[Fact], refused: list[Refusal]) -> list[Fact]:
    """Return one fact a key, refusing those that contradict an earlier line."""
    kept: dict[tuple[object, ...], Fact] = {}
    for fact in facts:
        first = kept.setdefault(_key(fact), fact)
        if first.row[1:] != fact.row[1:]:
            refused.append(Refusal(fact.line, f"contradicts line {first.line} of the same cow and day"))
    return list(kept.values())


def _key(fact: Fact) -> tuple[object, ...]:
    """Return what makes a fact the same fact."""
    values = dict(zip(fact.table.column_names, fact.row, strict=True))
    return tuple(cow_key(str(values[n])) if n == "cow" else values[n] for n in fact.table.key)


def _merge(
    connection: duckdb.DuckDBPyConnection, table: Table, facts: list[Fact], gone: list[Fact]
) -> HealthReport:
    """Replace what differs, add what is new, remove what its source withdrew."""
    # Statements are put together from names of the schema, never from data.
    same_key = " AND ".join(_same(name) for name in table.key)
    everything = " AND ".join(_same(name) for name in table.column_names)
    _stage(connection, table, gone)
    (withdrawn,) = numbers(connection, f"DELETE FROM {table.name} AS t USING incoming AS i WHERE {same_key}")  # noqa: S608
    _stage(connection, table, facts)
    known = f"SELECT count(*) FROM incoming AS i WHERE EXISTS (FROM {table.name} AS t WHERE "  # noqa: S608
    (found,) = numbers(connection, f"{known}{same_key})")
    (same,) = numbers(connection, f"{known}{everything})")
    numbers(connection, f"DELETE FROM {table.name} AS t USING incoming AS i WHERE {same_key}")  # noqa: S608
    numbers(connection, f"INSERT INTO {table.name} FROM incoming")
    return HealthReport(table.name, len(facts) - found, found - same, same, withdrawn)


def _same(name: str) -> str:
    """Return the condition that a stored and an incoming row agree in a column."""
    if name == "cow":
        return "cow_key(t.cow) = cow_key(i.cow)"
    return f't."{name}" IS NOT DISTINCT FROM i."{name}"'


def _stage(connection: duckdb.DuckDBPyConnection, table: Table, facts: list[Fact]) -> None:
    """Put facts into the temporary table ``incoming``."""
    connection.execute(f"CREATE OR REPLACE TEMP TABLE incoming AS FROM {table.name} LIMIT 0")
    append_rows(connection, "incoming", [fact.row for fact in facts])
