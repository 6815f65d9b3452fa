"""The tables as Parquet folders, out and in: for advisors, other tools, restoring, joining years.

``export_tables`` then ``load_tables`` into an empty history then ``export_tables`` again gives the
same files; loading the same folder twice changes nothing.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import duckdb
import polars as pl

from detect.errors import InputError
from store.exposure import count_anew
from store.faults import fault
from store.foreign import ForeignTable, read_foreign
from store.history import History
from store.merge import MergeCount, merge
from store.schema import CONTRACT_TABLES, QUARANTINE, Table

FILE_NAME: Final = "data.parquet"
"""The one file an export writes into each table's folder."""
_CONTRADICTS: Final = "another version of it is stored"


@dataclass(frozen=True, slots=True)
class TableReport:
    """What loading did to one table; ``refused`` counts rows by reason."""

    table: str
    new: int
    same: int
    changed: int
    refused: Mapping[str, int]


@dataclass(frozen=True, slots=True)
class LoadReport:
    """What loading did, one report a table found in the folder, in the order of the contract."""

    tables: tuple[TableReport, ...]

    @property
    def new(self) -> int:
        """Return how many rows were stored."""
        return sum(table.new for table in self.tables)

    @property
    def refused(self) -> int:
        """Return how many rows were refused."""
        return sum(sum(table.refused.values()) for table in self.tables)


def export_tables(history: History, out_dir: Path) -> dict[str, int]:
    """Write every table of the contract as Parquet, one folder a table, all as of one instant.

    A file appears under its name only when it is complete. An empty table is a file too.

    Returns
    -------
    dict of str to int
        Rows written, by table.

    Raises
    ------
    InputError
        When the folder cannot be written.
    StoreError
        When the history cannot be read.
    """
    reader = history.reader()
    try:
        reader.execute("BEGIN TRANSACTION READ ONLY")
        return {table.name: _export(reader, table, out_dir / table.name) for table in CONTRACT_TABLES}
    except duckdb.Error as error:
        raise fault(error, history.path, "read") from error
    except OSError as error:
        raise InputError(f"cannot be written: {error.strerror}", where=str(out_dir)) from error
    finally:
        reader.close()


def _export(reader: duckdb.DuckDBPyConnection, table: Table, folder: Path) -> int:
    """Write one table, its rows in an order that depends on nothing but them."""
    frame = pl.DataFrame(reader.sql(f"FROM {table.name} ORDER BY ALL"))
    folder.mkdir(parents=True, exist_ok=True)
    unfinished = folder / f".{FILE_NAME}.unfinished"
    with unfinished.open("wb") as file:
        frame.write_parquet(file, compression="zstd")
        file.flush()
        os.fsync(file.fileno())
    unfinished.replace(folder / FILE_NAME)
    return frame.height


def load_tables(history: History, tables_dir: Path) -> LoadReport:
    """Merge exported tables into a history, all of them or nothing.

    Parameters
    ----------
    history:
        A history open for writing.
    tables_dir:
        A folder with one folder of Parquet files a table; a table may be absent, not all of them.

    Raises
    ------
    InputError
        When the folder holds no tables, an unknown one, or files that do not fit.
    StoreError
        When the history cannot be written.
    """
    foreign = {table: read_foreign(tables_dir / table.name, table) for table in _found(tables_dir)}
    with history.transaction() as connection:
        report = LoadReport(
            tuple(
                _report(table, those, merge(connection, table, those.rows))
                for table, those in foreign.items()
            )
        )
        count_anew(connection, frozenset(foreign))
        if QUARANTINE in foreign:
            history.quarantine.trim()
    return report


def _found(tables_dir: Path) -> list[Table]:
    """Return the tables a folder holds."""
    if not tables_dir.is_dir():
        raise InputError("no such folder", where=str(tables_dir))
    names = {folder.name for folder in tables_dir.iterdir() if any(folder.rglob("*.parquet"))}
    unknown = sorted(names - {table.name for table in CONTRACT_TABLES})
    if unknown:
        raise InputError(f"{unknown[0]} is no table of the history", where=str(tables_dir))
    if not names:
        raise InputError("holds no tables (folders with Parquet files)", where=str(tables_dir))
    return [table for table in CONTRACT_TABLES if table.name in names]


def _report(table: Table, foreign: ForeignTable, count: MergeCount) -> TableReport:
    """Return what happened to the rows of one table."""
    refused = dict(foreign.refused)
    if count.contradicting:
        refused[_CONTRADICTS] = count.contradicting
    return TableReport(table.name, new=count.new, same=count.same, changed=count.changed, refused=refused)
