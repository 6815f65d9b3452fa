"""``quietclaw demo``: broker, simulated parlor and service in one, without set-up."""

# ruff: noqa: PLC0415 - heavy libraries load only when the command runs

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from detect.errors import InputError

if TYPE_CHECKING:
    from dashboards.demo import Plan


def demo(
    *,
    minutes: Annotated[float, typer.Option(help="How long, by the clock.")] = 3.0,
    stalls: Annotated[int, typer.Option(min=1, max=500, help="Stalls of the rotary.")] = 12,
    seed: Annotated[int, typer.Option(min=0, help="Decides everything random.")] = 1,
    speed: Annotated[float, typer.Option(help="Times real time.")] = 20.0,
    port: Annotated[int, typer.Option(min=0, max=65_535, help="Of the page; 0 takes a free one.")] = 0,
    headless: Annotated[
        bool, typer.Option("--headless", help="End with the record instead of keeping the page up.")
    ] = False,
    out: Annotated[
        Path | None, typer.Option(help="Folder for history, capture and truth; a temporary one if left out.")
    ] = None,
) -> None:
    """Show quietclaw at work on an invented rotary dairy.

    Example: quietclaw demo --headless --minutes 3 --speed 20
    """
    for option, value in (("--minutes", minutes), ("--speed", speed)):
        if not 0.0 < value < 1e6:
            raise InputError("must be above 0", where=option)
    from dashboards.cautions import CAUTIONS, SIMULATED
    from dashboards.demo import Plan, demonstrate
    from dashboards.progress import progress
    from dashboards.stopping import stopping

    plan = Plan(minutes, stalls, seed, speed, port, out=_folder(out))
    typer.echo(f"{minutes:g} min at {speed:g} times real time, {stalls} stalls, files in {plan.out}")
    typer.echo(SIMULATED)
    with stopping() as stop, progress("demo", total=plan.seconds) as report:
        complete = demonstrate(plan, stop, endless=not headless, say=typer.echo, report=report)
    _close(plan, complete=complete)
    for caution in CAUTIONS:
        typer.echo(caution)
    if stop.interrupted:
        raise KeyboardInterrupt


def _folder(out: Path | None) -> Path:
    """Return the folder to write to; one that holds a demonstration already is refused."""
    if out is None:
        return Path(tempfile.mkdtemp(prefix="quietclaw-demo-"))
    out.mkdir(parents=True, exist_ok=True)
    if any(out.iterdir()):
        raise InputError("is not empty", where=f"--out {out}")
    return out


def _close(plan: Plan, *, complete: bool) -> None:
    """Print the summary, and the score when there is a truth."""
    from dashboards.score.history import read_history
    from dashboards.score.text import as_text
    from dashboards.score.truth import read_truth
    from dashboards.score.whole import score
    from dashboards.summary_text import summary_text
    from store.history import History

    with History.open(plan.db, read_only=True) as history:
        typer.echo(summary_text(history))
        if complete:
            typer.echo("Against the simulation's truth:")
            typer.echo(as_text(score(read_truth(plan.out), read_history(history))))
        else:
            typer.echo("Stopped before the record's end: no truth to score against.")
