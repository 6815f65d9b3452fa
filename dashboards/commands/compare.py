"""``quietclaw compare``: did a remedy work."""

# ruff: noqa: PLC0415 - heavy libraries load only when the command runs

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from dashboards.commands.options import Db, require_advisor


def compare(
    *,
    db: Db,
    changed: Annotated[
        str | None, typer.Option(help="Day of the change; the last work noted on single stalls if left out.")
    ] = None,
    stalls: Annotated[
        str | None,
        typer.Option(help="Stalls changed, such as 3,17,20-24; those noted for the day if left out."),
    ] = None,
    out: Annotated[Path | None, typer.Option(help="The report to write (HTML).")] = None,
    as_json: Annotated[Path | None, typer.Option("--json", help="Also write the figures as JSON.")] = None,
    pdf: Annotated[Path | None, typer.Option(help="Also write the report as PDF.")] = None,
    parlor: Annotated[str | None, typer.Option(help="Which parlor, where the history holds several.")] = None,
) -> None:
    """Compare slips before and after a change.

    Treated stalls are held against the others.

    Example: quietclaw compare --db a.duckdb --changed 2026-03-01 --out b.html
    """
    require_advisor(out, as_json, pdf)
    from dashboards.instants import day_of, stall_list
    from dashboards.report.as_json import comparison_json
    from dashboards.report.comparison_page import comparison_page, verdict
    from dashboards.report.write import write_report
    from store.history import History
    from store.inquiry.compare import compare as contrast

    day = None if changed is None else day_of(changed, where="--changed")
    numbers = None if stalls is None else stall_list(stalls, where="--stalls")
    with History.open(db, read_only=True) as history:
        found = contrast(history, changed=day, stalls=numbers, parlor=parlor)
    write_report(comparison_page(found), out=out, pdf=pdf, figures=comparison_json(found), as_json=as_json)
    typer.echo(verdict(found))
    for warning in found.warnings:
        typer.echo(warning, err=True)
