"""``quietclaw replay``: a capture through the same pipeline as live messages."""

# ruff: noqa: PLC0415 - heavy libraries load only when the command runs

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from dashboards.commands.options import Db
from dashboards.loading import loading

if TYPE_CHECKING:
    from ingest.config import Config
    from ingest.survey import Survey


def replay(
    capture: Annotated[Path, typer.Argument(help="A capture: Parquet, a folder, or JSON lines.")],
    *,
    db: Db,
    config: Annotated[
        Path | None, typer.Option(help="Units and site of the parlor; without it the capture tells its size.")
    ] = None,
    overrides: Annotated[
        list[str] | None, typer.Option("--set", help="section.key=value, above the file; may be repeated.")
    ] = None,
) -> None:
    """Read a capture as fast as it goes. Reading it twice stores nothing twice.

    Example: quietclaw replay trial/capture.parquet --db trial.duckdb
    """
    with loading():
        from dashboards.progress import progress
        from ingest.capture import read_parts
        from ingest.detector import make_detector
        from ingest.pipeline import Pipeline
        from ingest.replay import replay as read_through
        from ingest.survey import survey
        from store.history import History

    found = survey(capture)
    settings = _settings(found, config, overrides or [])
    if found.others:
        print(f"quietclaw: other parlors are left out: {', '.join(found.others)}", file=sys.stderr)
    with History.open(db) as history:
        pipeline = Pipeline.open(
            history=history, detector=make_detector(settings), decoder=settings.decoder()
        )
        with progress("replay", total=found.messages) as report:
            count = read_through(read_parts(capture), pipeline, progress=report)
    typer.echo(f"{count} messages of {settings.parlor.name} read into {db}")


def _settings(found: Survey, config: Path | None, overrides: list[str]) -> Config:
    """Return the settings of the file, or what the capture itself tells; overrides stand above both."""
    from ingest.settings import load_settings

    told = [
        f'broker.root="{found.root}"',
        f'parlor.name="{found.parlor}"',
        f"parlor.stalls={found.stalls}",
    ]
    return load_settings(config, overrides=[*([] if config else told), *overrides]).config
