"""``quietclaw backup``: a consistent copy of the history, also while the service writes to it."""

# ruff: noqa: PLC0415 - heavy libraries load only when the command runs

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from dashboards.commands.options import MaybeDb, MaybeUrl, require_one_of


def backup(
    *,
    db: MaybeDb = None,
    url: MaybeUrl = None,
    out: Annotated[Path, typer.Option(help="Folder for the copy, made if need be.", show_default=False)],
) -> None:
    """Copy the whole history and check the copy.

    The detector's state is in it. The copy is a history file: to restore, stop the service
    and put it in the place of store.path.

    Example: quietclaw backup --url http://127.0.0.1:8420 --out backups
    """
    from store.verify import verify

    require_one_of(db, url)
    out.mkdir(parents=True, exist_ok=True)
    target = out / f"quietclaw-{datetime.now(UTC):%Y%m%dT%H%M%S%fZ}.duckdb"
    if db is not None:
        _from_file(db, target)
    else:
        from dashboards.client import fetch

        fetch(str(url), "v1/backup", target)
    rows = verify(target)
    typer.echo(f"{target}: {sum(rows.values())} rows in {len(rows)} tables, {target.stat().st_size} bytes")


def _from_file(db: Path, target: Path) -> None:
    from store.copying import copy_history
    from store.history import History

    with History.open(db, read_only=True):  # nobody writes meanwhile
        copy_history(db, target)
