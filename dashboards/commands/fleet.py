"""``quietclaw fleet`` and ``quietclaw ship``: many parlors' captures through the detector at once."""

# ruff: noqa: PLC0415 - heavy libraries load only when the command runs

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from enum import StrEnum
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final

import typer

from detect.errors import InputError, QuietclawError

if TYPE_CHECKING:
    from ingest.fleet.run import Engine, Summary

LOCAL_MASTER: Final = "local[*]"
MOST_TOLD: Final = 10
"""Failures printed; the table has all of them."""

Captures = Annotated[
    Path, typer.Option("--captures", help="Folder of captures: PARLOR/DAY/*.parquet.", show_default=False)
]


class EngineName(StrEnum):
    """What carries the work."""

    PROCESSES = "processes"
    SPARK = "spark"


def fleet(
    *,
    captures: Captures,
    out: Annotated[Path, typer.Option(help="Folder of the fleet's tables.", show_default=False)],
    engine: Annotated[EngineName, typer.Option(help="What carries the work.")] = EngineName.PROCESSES,
    master: Annotated[
        str | None, typer.Option(help="Spark master, such as local[2] or spark://HOST:7077; means Spark.")
    ] = None,
    workers: Annotated[
        int | None, typer.Option(min=1, max=512, help="Processes; as many as cores if left out.")
    ] = None,
    again: Annotated[bool, typer.Option("--again", help="Do finished days again.")] = False,
) -> int:
    """Detect in the captures of many parlors.

    Days that are finished and unchanged are not done again.
    Exit code 2 when something could not be used: the table _failures says what, the rest is done.

    Example: quietclaw fleet --captures captures --out fleet
    """
    from dashboards.progress import progress
    from ingest.fleet.layout import plan_fleet
    from ingest.fleet.run import run_fleet

    if master is not None and workers is not None:
        raise InputError("workers are for processes, a master is for Spark; give one of them")
    plan = plan_fleet(captures, out, again=again)
    with (
        _engine(EngineName.SPARK if master else engine, master, workers) as chosen,
        progress("fleet", total=plan.steps) as report,
    ):
        summary = run_fleet(plan, chosen, out, tell=report)
    return _tell(summary, out)


def ship(
    capture: Annotated[Path, typer.Argument(help="A capture: Parquet, a folder, or JSON lines.")],
    *,
    captures: Captures,
) -> None:
    """Lay a capture into the folder of a fleet.

    One file an hour; shipping again completes hours.

    Example: quietclaw ship /var/lib/quietclaw/capture --captures captures
    """
    from ingest.fleet.ship import ship as lay

    shipped = lay(capture, captures)
    typer.echo(f"{shipped.parlor}: {shipped.written} hours written, {shipped.left} left as they were")


@contextmanager
def _engine(name: EngineName, master: str | None, workers: int | None) -> Iterator[Engine]:
    """Start what carries the work."""
    if name is EngineName.PROCESSES:
        from ingest.fleet.pool import ProcessPool

        yield ProcessPool(workers or len(os.sched_getaffinity(0)))
        return
    if find_spec("pyspark") is None or find_spec("pyarrow") is None:
        raise InputError("needs the extra: pip install 'quietclaw[fleet]'", where="--engine spark")
    from ingest.fleet.spark import SparkEngine

    with SparkEngine.open(master or LOCAL_MASTER) as engine:
        yield engine


def _tell(summary: Summary, out: Path) -> int:
    """Print what the run came to and return the exit code."""
    from ingest.fleet.run import FAILURES

    typer.echo(
        f"{summary.done} steps done, {summary.kept} kept as they were, {summary.messages} messages read; "
        f"tables in {out}"
    )
    if not summary.failures:
        return 0
    for failure in summary.failures[:MOST_TOLD]:
        where = "/".join(part for part in (failure.parlor, failure.date, failure.file) if part)
        print(f"quietclaw: {where}: {failure.what}", file=sys.stderr)
    print(f"quietclaw: failures: {len(summary.failures)}, all of them in {out / FAILURES}", file=sys.stderr)
    ours = any(failure.ours for failure in summary.failures)
    return QuietclawError.exit_code if ours else InputError.exit_code
