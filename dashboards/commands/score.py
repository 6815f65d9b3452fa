"""``quietclaw score``: how well a history agrees with a ground truth."""

# ruff: noqa: PLC0415 - heavy libraries load only when the command runs

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

import typer

from dashboards.commands.options import Db


def score(
    *,
    db: Db,
    truth: Annotated[Path, typer.Option(help="Folder with the truth_*.parquet files.", show_default=False)],
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
    svg: Annotated[Path | None, typer.Option(help="Also draw recall and delay into this file.")] = None,
) -> None:
    """Score events, milkings and support against the truth of a simulation.

    Example: quietclaw score --db trial.duckdb --truth trial --json
    """
    from dashboards import score as scoring
    from dashboards.history_record import read_history
    from dashboards.records import read_truth
    from dashboards.score_svg import draw
    from dashboards.score_text import as_dict, as_text
    from store.history import History

    true_record = read_truth(truth)
    with History.open(db, read_only=True) as history:
        result = scoring.score(true_record, read_history(history))
    typer.echo(json.dumps(as_dict(result), indent=2) if as_json else as_text(result))
    if svg is not None:
        svg.write_text(draw(result.events))
