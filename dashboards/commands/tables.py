"""``quietclaw export`` and ``quietclaw load``: the history as Parquet, and back."""

# ruff: noqa: PLC0415 - heavy libraries load only when the command runs

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from dashboards.commands.options import Db


def export(
    *,
    db: Db,
    out: Annotated[Path, typer.Option(help="Folder to write, one folder a table.", show_default=False)],
) -> None:
    """Write every table of the history as Parquet.

    Example: quietclaw export --db farm.duckdb --out tables
    """
    from store.exchange import export_tables
    from store.history import History

    with History.open(db, read_only=True) as history:
        rows = export_tables(history, out)
    for table, count in rows.items():
        typer.echo(f"{table}: {count} rows")


def load(
    *,
    tables: Annotated[Path, typer.Option(help="Folder that 'export' wrote.", show_default=False)],
    db: Db,
) -> None:
    """Merge exported tables into a history. Loading twice changes nothing.

    Example: quietclaw load --tables tables --db restored.duckdb
    """
    from store.exchange import load_tables
    from store.history import History

    with History.open(db) as history:
        report = load_tables(history, tables)
    for table in report.tables:
        typer.echo(f"{table.table}: {table.new} new, {table.same} known, {table.changed} changed")
        for reason, count in table.refused.items():
            typer.echo(f"{table.table}: {count} refused: {reason}", err=True)
