"""``quietclaw query``: read-only SQL over the history, from the file or through the service."""

# ruff: noqa: PLC0415 - heavy libraries load only when the command runs

from __future__ import annotations

import sys
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from dashboards.commands.options import MaybeDb, MaybeUrl, require_one_source

if TYPE_CHECKING:
    from store.query import QueryResult


class Format(StrEnum):
    """How the answer is written."""

    TABLE = "table"
    CSV = "csv"
    JSON = "json"
    PARQUET = "parquet"


def query(
    sql: Annotated[str, typer.Argument(help="One SELECT; tables are listed by 'SHOW TABLES'.")],
    *,
    db: MaybeDb = None,
    url: MaybeUrl = None,
    fleet: Annotated[
        Path | None,
        typer.Option("--fleet", help="Folder that 'quietclaw fleet' wrote.", show_default=False),
    ] = None,
    form: Annotated[Format, typer.Option("--format", help="How the answer is written.")] = Format.TABLE,
) -> None:
    """Ask a history or a fleet in SQL.

    Nothing can be changed.

    Example: quietclaw query --db farm.duckdb "SELECT * FROM slips_per_100"
    """
    from store.render import QueryFormat, render

    require_one_source(db, url, fleet)
    if fleet is not None:
        result = _from_fleet(fleet, sql)
    else:
        result = _from_file(db, sql) if db is not None else _from_service(str(url), sql)
    sys.stdout.buffer.write(render(result, QueryFormat(form.value)))
    sys.stdout.buffer.flush()
    if result.frame.is_empty():
        print("quietclaw: no rows", file=sys.stderr)
    if result.truncated:
        print(f"quietclaw: only the first {result.frame.height} rows are shown", file=sys.stderr)


def _from_file(db: Path, sql: str) -> QueryResult:
    from store.history import History
    from store.query import run_query

    with History.open(db, read_only=True) as history:
        return run_query(history, sql)


def _from_fleet(fleet: Path, sql: str) -> QueryResult:
    from store.fleet.lake import LIMITS, Lake
    from store.query import run_query

    with Lake(fleet) as lake:
        return run_query(lake, sql, limits=LIMITS)


def _from_service(url: str, sql: str) -> QueryResult:
    import polars as pl

    from dashboards.client import post
    from store.query import QueryResult

    answer = post(url, "v1/query", {"sql": sql, "params": []})
    frame = pl.DataFrame(answer["rows"], schema=answer["columns"], orient="row", infer_schema_length=None)
    return QueryResult(frame, truncated=bool(answer["truncated"]))
