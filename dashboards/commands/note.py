"""``quietclaw note``: maintenance that people did, so that a later comparison knows of it."""

# ruff: noqa: PLC0415 - heavy libraries load only when the command runs

from __future__ import annotations

import time
from typing import Annotated

import typer

from dashboards.commands.options import MaybeDb, MaybeUrl, require_one_of


def note(
    what: Annotated[str, typer.Argument(help="What was done, such as 'liners changed'.")],
    *,
    db: MaybeDb = None,
    url: MaybeUrl = None,
    at: Annotated[
        str | None, typer.Option(help="When, ISO 8601, UTC unless it says otherwise; now if left out.")
    ] = None,
    stalls: Annotated[str | None, typer.Option(help="Such as 3,17,20-24; all if left out.")] = None,
    remark: Annotated[str | None, typer.Option(help="Anything else worth knowing.")] = None,
) -> None:
    """Store what was repaired, changed or adjusted, and when.

    Example: quietclaw note --db farm.duckdb --stalls 3,17 "hoses set"
    """
    from dashboards.instants import instant_ns, stall_list

    require_one_of(db, url)
    at_ns = time.time_ns() if at is None else instant_ns(at, where="--at")
    numbers = None if stalls is None else stall_list(stalls, where="--stalls")
    if db is not None:
        from store.history import History

        with History.open(db) as history:
            history.add_maintenance(at_ns=at_ns, stalls=numbers, what=what, note=remark)
    else:
        from dashboards.client import post

        listed = None if numbers is None else list(numbers)
        post(str(url), "v1/note", {"at_ns": at_ns, "stalls": listed, "what": what, "note": remark})
    typer.echo("noted")
