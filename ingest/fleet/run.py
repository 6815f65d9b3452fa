"""A fleet run from plan to summary, whatever the engine."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

import polars as pl

from ingest.fleet.layout import ParlorTask, Plan
from ingest.fleet.record import Failure, load_record
from ingest.fleet.work import Outcome, StepReport

FAILURES = "_failures"


class Engine(Protocol):
    """What does the steps of parlors' tasks."""

    def run(self, tasks: Sequence[ParlorTask]) -> Iterator[StepReport]:
        """Do all steps, those of one parlor in order, and tell of each."""


@dataclass(frozen=True, slots=True)
class Summary:
    """What a run came to: steps done and kept, messages read, and all that could not be used."""

    done: int
    kept: int
    messages: int
    failures: tuple[Failure, ...]


def run_fleet(plan: Plan, engine: Engine, out: Path, *, tell: Callable[[int], None]) -> Summary:
    """Do what was planned, and write the table of what could not be used.

    Parameters
    ----------
    plan:
        The tasks.
    engine:
        What does them.
    out:
        The fleet's folder of results.
    tell:
        Called with the number of steps that have come to their end.
    """
    out.mkdir(parents=True, exist_ok=True)
    reports: list[StepReport] = []
    steps = {task.parlor: task.steps for task in plan.tasks}
    for report in engine.run(plan.tasks):
        reports.append(report)
        steps[report.parlor] -= 1
        if report.outcome is Outcome.FAILED:
            steps[report.parlor] = 0  # it goes no further
        tell(plan.steps - sum(steps.values()))
    failures = _failures(plan, reports, out)
    write_failures(out, failures)
    return Summary(
        done=sum(report.outcome is Outcome.DONE for report in reports),
        kept=sum(report.outcome is Outcome.KEPT for report in reports),
        messages=sum(report.messages for report in reports),
        failures=failures,
    )


def _failures(plan: Plan, reports: Sequence[StepReport], out: Path) -> tuple[Failure, ...]:
    """Return what could not be used: of the plan, of this run, and of days that were kept."""
    found = [*plan.failures, *(failure for report in reports for failure in report.failures)]
    for task in plan.tasks:
        found += load_record(out, task.parlor).failures()
    return tuple(sorted(set(found), key=lambda failure: (failure.parlor, failure.date, failure.file)))


def write_failures(out: Path, failures: Sequence[Failure]) -> None:
    """Write the table ``_failures``, empty too, so that its absence means that no run has ended."""
    schema = {"parlor": pl.String, "date": pl.String, "file": pl.String, "what": pl.String}
    rows = [(f.parlor, f.date or None, f.file or None, f.what) for f in failures]
    folder = out / FAILURES
    folder.mkdir(exist_ok=True)
    unfinished = folder / ".failures.unfinished"
    pl.DataFrame(rows, schema=schema, orient="row").write_parquet(unfinished)
    unfinished.replace(folder / "failures.parquet")
