"""Rows of one parlor as Parquet partitions, ``TABLE/parlor=NAME/date=DAY/FILE``, by day of their beginning.

Several files of a partition come from different stretches of the record, each under a name of its
own: a milking over midnight is told by the next day and filed under the day on which it began. A file
appears complete or not at all, and writing it again replaces it, so a repeated run changes nothing.
"""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import polars as pl

from store.engine import Row
from store.fleet.ledger import LEDGER_TABLES
from store.foreign import DTYPES
from store.schema import MAINTENANCE, Table

PARTITIONED: Final = (*LEDGER_TABLES, MAINTENANCE)
"""The tables of a fleet."""
ADDED: Final = {"detector_version": pl.Int32(), "params_digest": pl.String()}
"""Columns added to every table: which detector told the row; null where nobody knows."""
_TIME_COLUMNS: Final = ("start_at", "recv_at", "at")


@dataclass(frozen=True, slots=True)
class Place:
    """Where rows go: the fleet's folder, the parlor, and the name of the files without suffix."""

    out: Path
    parlor: str
    name: str


@dataclass(frozen=True, slots=True)
class Origin:
    """Which detector told the rows; None where nobody knows."""

    version: int | None = None
    digest: str | None = None


def time_column(table: Table) -> str:
    """Return the column whose UTC day decides the partition."""
    return next(name for name in _TIME_COLUMNS if name in table.column_names)


def frame_of(table: Table, rows: Sequence[Row]) -> pl.DataFrame:
    """Return rows of the schema as a frame."""
    schema = {column.name: DTYPES[column.kind] for column in table.columns}
    return pl.DataFrame(rows, schema=schema, orient="row")


def partition_schema(table: Table) -> dict[str, pl.DataType]:
    """Return the columns of a partition's file: the parlor is in its path."""
    own = {column.name: DTYPES[column.kind] for column in table.columns if column.name != "parlor"}
    return own | ADDED


def write_rows(rows: Mapping[str, Sequence[Row]], place: Place, origin: Origin) -> list[str]:
    """Write rows by table; see :func:`write_frames`."""
    tables = {table.name: table for table in PARTITIONED}
    frames = {tables[name]: frame_of(tables[name], those) for name, those in rows.items() if those}
    return write_frames(frames, place, origin)


def write_frames(frames: Mapping[Table, pl.DataFrame], place: Place, origin: Origin) -> list[str]:
    """Write each table's rows into the partitions of the days on which they began.

    Returns
    -------
    list of str
        The files written, relative to the fleet's folder.
    """
    written: list[str] = []
    for table, frame in frames.items():
        day = pl.col(time_column(table)).dt.date().alias("day")
        for (date,), part in frame.with_columns(day).partition_by("day", as_dict=True).items():
            folder = Path(table.name, f"parlor={place.parlor}", f"date={date}")
            name = folder / f"{place.name}.parquet"
            _write(_finished(part, table, origin), place.out / name)
            written.append(name.as_posix())
    return sorted(written)


def remove_files(out: Path, names: Sequence[str]) -> None:
    """Remove files of partitions, those that are gone already too."""
    for name in names:
        (out / name).unlink(missing_ok=True)


def read_partitions(out: Path, table: Table) -> pl.DataFrame:
    """Return a table of the whole fleet with its columns ``parlor`` and ``date``, in a fixed order."""
    schema = partition_schema(table) | {"parlor": pl.String(), "date": pl.String()}
    files = sorted(out.glob(f"{table.name}/parlor=*/date=*/*.parquet"))
    if not files:
        return pl.DataFrame(schema=schema)
    keys = {name: schema[name] for name in ("parlor", "date")}
    frame = pl.read_parquet(files, hive_partitioning=True, hive_schema=keys)
    return frame.select(list(schema)).sort(list(schema), nulls_last=True)


def _finished(part: pl.DataFrame, table: Table, origin: Origin) -> pl.DataFrame:
    """Return a partition's rows with its columns, in an order that depends on nothing but them."""
    schema = partition_schema(table)
    told_by = {"detector_version": origin.version, "params_digest": origin.digest}
    added = [pl.lit(value, dtype=ADDED[name]).alias(name) for name, value in told_by.items()]
    frame = part.with_columns(added).select(list(schema))
    return frame.sort([time_column(table), *schema], nulls_last=True)


def _write(frame: pl.DataFrame, path: Path) -> None:
    """Write a file under its name when it is complete."""
    path.parent.mkdir(parents=True, exist_ok=True)
    unfinished = path.with_name(f".{path.name}.{os.getpid()}")
    frame.write_parquet(unfinished, compression="zstd")
    unfinished.replace(path)
