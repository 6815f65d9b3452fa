"""Tables made elsewhere: read from Parquet, checked and cast to the columns of the history.

Other tools write the same facts in other types: instants with a time zone or in nanoseconds,
integers as floats where some are missing, words as categories, optional columns left out. What can
be cast without loss is; what cannot is an error of the file or, row by row, a refusal with its reason.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

import polars as pl

from detect.errors import InputError
from store.schema import Column, ColumnType, Table


@dataclass(frozen=True, slots=True)
class ForeignTable:
    """The usable rows of one table and how many were refused for which reason."""

    rows: pl.DataFrame
    refused: dict[str, int] = field(default_factory=dict)


def read_foreign(folder: Path, table: Table) -> ForeignTable:
    """Read all Parquet files below a folder as rows of one table.

    Raises
    ------
    InputError
        When a file is unreadable, lacks a required column, has an unknown one or one of a type that
        cannot be cast.
    """
    files = sorted(file for file in folder.rglob("*.parquet") if not file.name.startswith("."))
    frames = [_conform(_read(file), table, file) for file in files]
    empty = pl.DataFrame(schema={column.name: DTYPES[column.kind] for column in table.columns})
    return _refuse(pl.concat([empty, *frames]), table)


def _read(file: Path) -> pl.DataFrame:
    """Return the content of one file, taking no column from folder names."""
    try:
        return pl.read_parquet(file, hive_partitioning=False)
    except (pl.exceptions.PolarsError, OSError) as error:
        raise InputError("not a readable Parquet file", where=str(file)) from error


def _conform(frame: pl.DataFrame, table: Table, file: Path) -> pl.DataFrame:
    """Return a frame with exactly the columns of the table, cast."""
    unknown = sorted(set(frame.columns) - set(table.column_names))
    if unknown:
        raise InputError(f"column {unknown[0]} is unknown to table {table.name}", where=str(file))
    return pl.DataFrame([_conform_column(frame, column, file) for column in table.columns])


def _conform_column(frame: pl.DataFrame, column: Column, file: Path) -> pl.Series:
    """Return one column of the table, cast, or empty cells where an optional one is left out."""
    if column.name not in frame.columns:
        if not column.optional:
            raise InputError(f"column {column.name} is missing", where=str(file))
        return pl.Series(column.name, [None] * frame.height, dtype=DTYPES[column.kind])
    series = frame.get_column(column.name)
    try:
        fitting = series if series.dtype == pl.Null else _CASTS[column.kind](series)
        return fitting.cast(DTYPES[column.kind])
    except pl.exceptions.PolarsError as error:
        message = f"column {column.name} is {series.dtype}, which is no {column.kind.value} without loss"
        raise InputError(message, where=str(file)) from error


def _text(series: pl.Series) -> pl.Series:
    """Return words, categories and whole numbers (a cow's number) as text."""
    kind = series.dtype
    if kind == pl.String or kind.is_integer() or isinstance(kind, pl.Categorical | pl.Enum):
        return series.cast(pl.String)
    raise pl.exceptions.InvalidOperationError


def _integer(series: pl.Series) -> pl.Series:
    """Return whole numbers; floats count when all of them are whole, NaN being a missing one."""
    if series.dtype.is_float():
        whole = series.fill_nan(None)
        if (whole != whole.round()).any():
            raise pl.exceptions.InvalidOperationError
        return whole.cast(pl.Int64)
    if series.dtype.is_integer():
        return series
    raise pl.exceptions.InvalidOperationError


def _real(series: pl.Series) -> pl.Series:
    """Return any number as a float."""
    if series.dtype.is_numeric():
        return series.cast(pl.Float64)
    raise pl.exceptions.InvalidOperationError


def _flag(series: pl.Series) -> pl.Series:
    """Return flags; whole numbers count when all are 0 or 1."""
    if series.dtype == pl.Boolean:
        return series
    if series.dtype.is_integer() and series.is_in([0, 1]).all():
        return series.cast(pl.Boolean)
    raise pl.exceptions.InvalidOperationError


def _instant(series: pl.Series) -> pl.Series:
    """Return instants as naive UTC; one with a time zone is converted, one without is UTC already."""
    if isinstance(series.dtype, pl.Datetime):
        zoned = series.dtype.time_zone is not None
        utc = series.dt.convert_time_zone("UTC").dt.replace_time_zone(None) if zoned else series
        return utc.dt.cast_time_unit("us")
    if series.dtype == pl.Date:
        return series.cast(pl.Datetime("us"))
    raise pl.exceptions.InvalidOperationError


def _date(series: pl.Series) -> pl.Series:
    """Return days; an instant counts when it is a midnight."""
    if series.dtype == pl.Date:
        return series
    days = _instant(series).cast(pl.Date)
    if (days.cast(pl.Datetime("us")) != _instant(series)).any():
        raise pl.exceptions.InvalidOperationError
    return days


def _bytes(series: pl.Series) -> pl.Series:
    """Return bytes; text is its UTF-8."""
    if series.dtype in (pl.Binary, pl.String):
        return series.cast(pl.Binary)
    raise pl.exceptions.InvalidOperationError


def _samples(series: pl.Series) -> pl.Series:
    """Return lists of whole numbers."""
    if isinstance(series.dtype, pl.List) and series.dtype.inner.is_integer():
        return series
    raise pl.exceptions.InvalidOperationError


DTYPES: Final[dict[ColumnType, pl.DataType]] = {
    ColumnType.TEXT: pl.String(),
    ColumnType.INTEGER: pl.Int32(),
    ColumnType.LONG: pl.Int64(),
    ColumnType.REAL: pl.Float64(),
    ColumnType.FLAG: pl.Boolean(),
    ColumnType.INSTANT: pl.Datetime("us"),
    ColumnType.DATE: pl.Date(),
    ColumnType.BYTES: pl.Binary(),
    ColumnType.SAMPLES: pl.List(pl.Int16),
}
"""How each type of column is held in a frame and in Parquet."""
_CASTS: Final[dict[ColumnType, Callable[[pl.Series], pl.Series]]] = {
    ColumnType.TEXT: _text,
    ColumnType.INTEGER: _integer,
    ColumnType.LONG: _integer,
    ColumnType.REAL: _real,
    ColumnType.FLAG: _flag,
    ColumnType.INSTANT: _instant,
    ColumnType.DATE: _date,
    ColumnType.BYTES: _bytes,
    ColumnType.SAMPLES: _samples,
}


def _refuse(frame: pl.DataFrame, table: Table) -> ForeignTable:
    """Keep the rows that can be facts, count the others by reason."""
    refused: dict[str, int] = {}
    for reason, bad in _faults(table):
        kept = frame.filter(~bad)
        if kept.height < frame.height:
            refused[reason] = frame.height - kept.height
        frame = kept
    return ForeignTable(frame, refused)


def _faults(table: Table) -> list[tuple[str, pl.Expr]]:
    """Return what makes a row of a table impossible: each reason with its test, never null."""
    faults = [(f"{c.name} is missing", pl.col(c.name).is_null()) for c in table.columns if not c.optional]
    faults += [
        (f"{column.name} is no known word", ~pl.col(column.name).is_in(column.words).fill_null(value=True))
        for column in table.columns
        if column.words
    ]
    if "end_at" in table.column_names:
        ends_early = (pl.col("end_at") < pl.col("start_at")).fill_null(value=False)
        faults.append(("end_at is before start_at", ends_early))
    return faults
