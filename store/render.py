"""An answer as text or bytes for people and programs: table, CSV, JSON, Parquet."""

from __future__ import annotations

from enum import StrEnum
from io import BytesIO
from typing import Final

import polars as pl

from store.query import QueryResult


class QueryFormat(StrEnum):
    """How an answer is written."""

    TABLE = "table"
    CSV = "csv"
    JSON = "json"
    PARQUET = "parquet"


_FORMULA_STARTS: Final = r"^[=+\-@\t\r]"
"""First characters a spreadsheet takes for a formula (a cow's number is text others typed)."""
_INSTANT_FORMAT: Final = "%Y-%m-%dT%H:%M:%S%.6f"


def render(result: QueryResult, form: QueryFormat) -> bytes:
    """Return an answer in one format; the text ones are UTF-8 and end with a newline.

    CSV text cells that a spreadsheet would run as a formula get a leading apostrophe. JSON is a list
    of objects; a number that is no number (NaN, infinite) becomes null there.
    """
    match form:
        case QueryFormat.PARQUET:
            return _parquet(result.frame)
        case QueryFormat.CSV:
            return _unarmed(_plain(result.frame)).write_csv(datetime_format=_INSTANT_FORMAT).encode()
        case QueryFormat.JSON:
            return _plain(result.frame).write_json().encode() + b"\n"
        case QueryFormat.TABLE:
            return _table(_plain(result.frame)).encode() + b"\n"


def _parquet(frame: pl.DataFrame) -> bytes:
    """Return the frame as one Parquet file."""
    buffer = BytesIO()
    frame.write_parquet(buffer, compression="zstd")
    return buffer.getvalue()


def _table(frame: pl.DataFrame) -> str:
    """Return the frame drawn with plain characters, nothing shortened."""
    with pl.Config(
        tbl_formatting="ASCII_MARKDOWN",
        tbl_hide_column_data_types=True,
        tbl_hide_dataframe_shape=True,
        tbl_rows=-1,
        tbl_cols=-1,
        tbl_width_chars=-1,
        fmt_str_lengths=1_000,
    ):
        return str(frame).rstrip()


def _plain(frame: pl.DataFrame) -> pl.DataFrame:
    """Return the frame with every column a number, a flag, text or an instant."""
    return frame.with_columns(_plain_column(column) for column in frame.get_columns())


def _plain_column(column: pl.Series) -> pl.Series:
    """Return a column as it is, or as text when the writers do not know its type."""
    kind = column.dtype
    if kind.is_numeric() or kind in (pl.Boolean, pl.String, pl.Date, pl.Null) or kind == pl.Datetime:
        return column
    return pl.Series(column.name, [_text(value) for value in column.to_list()], dtype=pl.String)


def _text(value: object) -> str | None:
    """Return a value as text; bytes that are no UTF-8 are shown escaped."""
    if value is None:
        return None
    return value.decode("utf-8", "backslashreplace") if isinstance(value, bytes) else str(value)


def _unarmed(frame: pl.DataFrame) -> pl.DataFrame:
    """Return the frame with an apostrophe before text that starts like a formula."""
    guarded = frame.with_columns(pl.col(pl.String).str.replace(f"({_FORMULA_STARTS})", "'$1"))
    return guarded.rename(lambda name: f"'{name}" if name[:1] in "=+-@\t\r" else name)
