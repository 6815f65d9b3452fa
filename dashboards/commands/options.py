"""Options that several commands share."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from detect.errors import InputError

Db = Annotated[Path, typer.Option("--db", help="The history file.", show_default=False)]
MaybeDb = Annotated[
    Path | None,
    typer.Option("--db", help="The history file; no service may have it open.", show_default=False),
]
MaybeUrl = Annotated[
    str | None, typer.Option("--url", help="Address of the running service.", show_default=False)
]


def require_one_of(db: Path | None, url: str | None) -> None:
    """Refuse both or none of ``--db`` and ``--url``."""
    if (db is None) == (url is None):
        raise InputError("give either --db FILE or --url URL")
