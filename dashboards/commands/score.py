"""``quietclaw score``: how well a history agrees with a ground truth."""

# ruff: noqa: PLC0415 - heavy libraries load only when the command runs

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

import typer

from dashboards.commands.options import Db
from detect.errors import InputError


def score(
    *,
    db: Db,
    truth: Annotated[Path, typer.Option(help="Folder with the truth_*.parquet files.", show_default=False)],
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
    picture: Annotated[Path | None, typer.Option(help="Also draw the score into this SVG file.")] = None,
) -> None:
    """Score a history against a truth, such as a simulation's.

    Events, milkings, support and plant dips are held against it.

    Example: quietclaw score --db trial.duckdb --truth trial --picture score.svg
    """
    from dashboards.score.history import read_history
    from dashboards.score.picture import draw
    from dashboards.score.text import as_dict, as_text
    from dashboards.score.truth import read_truth
    from dashboards.score.whole import score as score_whole
    from store.history import History

    true_record = read_truth(truth)
    with History.open(db, read_only=True) as history:
        result = score_whole(true_record, read_history(history))
    typer.echo(json.dumps(as_dict(result), indent=2) if as_json else as_text(result))
    if picture is None:
        return
    if result.events is None:
        raise InputError("there is nothing to draw without truth_events.parquet", where="--picture")
    try:
        picture.write_text(draw(result.events))
    except OSError as error:
        raise InputError(f"cannot be written: {error.strerror}", where=str(picture)) from error
