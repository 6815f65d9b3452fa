"""Progress of long work: a bar on a terminal, otherwise a plain line now and then."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Final, TextIO

PLAIN_LINE_EVERY_S: Final = 10.0
"""Pause between plain lines [s]: readable in a log, engineering choice."""

Report = Callable[[float], None]


@contextmanager
def progress(
    label: str,
    *,
    total: float | None = None,
    stream: TextIO | None = None,
    clock: Callable[[], float] = time.monotonic,
) -> Iterator[Report]:
    """Show how far a piece of work has come.

    Parameters
    ----------
    label:
        What is being done.
    total:
        Amount of the whole work in any unit; None when it is not known.
    stream:
        Where to show it; standard error unless given.
    clock:
        Monotonic seconds; an argument so that tests need not wait.

    Yields
    ------
    Report
        A function to be called with the amount done so far.
    """
    out = stream if stream is not None else sys.stderr
    if out.isatty():
        with _bar(label, total, out) as report:
            yield report
    else:
        yield _plain(label, total, out, clock=clock)


@contextmanager
def _bar(label: str, total: float | None, out: TextIO) -> Iterator[Report]:
    # Only here: where there is no terminal the library would be loaded for nothing.
    from rich.console import Console  # noqa: PLC0415
    from rich.progress import (  # noqa: PLC0415
        BarColumn,
        Progress,
        TextColumn,
        TimeElapsedColumn,
        TimeRemainingColumn,
    )

    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        TextColumn("{task.percentage:>3.0f} %") if total is not None else TextColumn("{task.completed:,.0f}"),
        TimeElapsedColumn(),
        TimeRemainingColumn(),
    )
    with Progress(*columns, console=Console(file=out), transient=True) as bar:
        task = bar.add_task(label, total=total)
        yield lambda done: bar.update(task, completed=done)


def _plain(label: str, total: float | None, out: TextIO, *, clock: Callable[[], float]) -> Report:
    due = clock() + PLAIN_LINE_EVERY_S

    def report(done: float) -> None:
        nonlocal due
        if clock() < due:
            return
        due = clock() + PLAIN_LINE_EVERY_S
        amount = f"{done:,.0f}" if not total else f"{100.0 * done / total:.0f} %"
        print(f"{label}: {amount}", file=out, flush=True)

    return report
