"""``quietclaw investigate``: the advisor's report after a rise in cell count."""

# ruff: noqa: PLC0415 - heavy libraries load only when the command runs

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Annotated

import typer

from dashboards.commands.options import Db, require_advisor


def investigate(  # noqa: PLR0913 - one parameter an option
    *,
    db: Db,
    out: Annotated[Path | None, typer.Option(help="The report to write (HTML).")] = None,
    start: Annotated[
        str | None, typer.Option("--from", help="First day looked into; found if left out.")
    ] = None,
    end: Annotated[str | None, typer.Option("--to", help="Day after the last one looked into.")] = None,
    as_json: Annotated[Path | None, typer.Option("--json", help="Also write the figures as JSON.")] = None,
    pdf: Annotated[Path | None, typer.Option(help="Also write the report as PDF.")] = None,
    capture: Annotated[
        Path | None, typer.Option(help="Parquet capture from which typical slips are drawn.")
    ] = None,
    parlor: Annotated[str | None, typer.Option(help="Which parlor, where the history holds several.")] = None,
) -> None:
    """Look for evidence after a rise in cell count.

    Since when, where, which cows, and how sure.

    Example: quietclaw investigate --db farm.duckdb --out report.html
    """
    require_advisor(out, as_json, pdf)
    from dashboards.instants import day_of
    from dashboards.report.as_json import investigation_json
    from dashboards.report.investigation_page import investigation_page
    from dashboards.report.write import write_report
    from store.history import History
    from store.inquiry.investigate import investigate as look

    first: date | None = None if start is None else day_of(start, where="--from")
    last: date | None = None if end is None else day_of(end, where="--to")
    with History.open(db, read_only=True) as history:
        found = look(history, start=first, end=last, parlor=parlor)
        page = investigation_page(found, history, capture) if out is not None or pdf is not None else ""
    write_report(page, out=out, pdf=pdf, figures=investigation_json(found), as_json=as_json)
    for warning in found.warnings:
        typer.echo(warning, err=True)
