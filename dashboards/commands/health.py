"""``quietclaw health``: udder-health records into the history."""

# ruff: noqa: PLC0415 - heavy libraries load only when the command runs

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final

import typer

from dashboards.commands.options import Db

if TYPE_CHECKING:
    from store.health.importer import ImportedFile

_MOST_COWS: Final = 20
"""Unknown cows named one by one; more are counted (engineering choice)."""


def health(
    files: Annotated[list[Path], typer.Argument(help="CSV or ICAR Animal Data Exchange JSON.")],
    *,
    db: Db,
) -> None:
    """Import test days, clinical cases, bulk tank samples. Importing twice changes nothing.

    Example: quietclaw health testday-march.csv cases.csv --db farm.duckdb
    """
    from store.health.importer import import_health, unmatched_cows
    from store.history import History

    with History.open(db) as history:
        for file in import_health(history, files):
            _tell(file)
        _tell_unmatched(unmatched_cows(history))


def _tell(file: ImportedFile) -> None:
    for table in file.tables:
        withdrawn = f", {table.withdrawn} withdrawn" if table.withdrawn else ""
        counts = f"{table.new} new, {table.changed} changed, {table.same} known"
        typer.echo(f"{file.path}: {table.table}: {counts}, {len(file.refused)} refused{withdrawn}")
    if not file.tables:
        typer.echo(f"{file.path}: nothing to keep, {len(file.refused)} refused")
    for name in file.unknown_columns:
        typer.echo(f"{file.path}: column {name} is not used", err=True)
    for refusal in file.refused:
        typer.echo(f"{file.path}:{refusal.line}: {refusal.reason}", err=True)


def _tell_unmatched(cows: Sequence[str]) -> None:
    if not cows:
        return
    named = ", ".join(cows[:_MOST_COWS])
    rest = f" and {len(cows) - _MOST_COWS} more" if len(cows) > _MOST_COWS else ""
    typer.echo(f"{len(cows)} cows with records were never milked under their number: {named}{rest}", err=True)
