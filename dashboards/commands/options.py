"""Options that several commands share."""

from __future__ import annotations

from importlib.util import find_spec
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


def require_one_source(db: Path | None, url: str | None, fleet: Path | None) -> None:
    """Refuse none or several of ``--db``, ``--url`` and ``--fleet``."""
    if sum(source is not None for source in (db, url, fleet)) != 1:
        raise InputError("give one of --db FILE, --url URL and --fleet DIR")


def require_advisor(*outputs: Path | None) -> None:
    """Refuse to start an advisor's command without any output, or without the library it needs."""
    if all(output is None for output in outputs):
        raise InputError("give at least one of --out, --json and --pdf")
    if find_spec("scipy") is None:
        raise InputError("needs the extra: pip install 'quietclaw[advisor]'")
