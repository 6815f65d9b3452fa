"""The default engine: a pool of processes on this machine, one step at a time of each parlor.

A step is handed out when the one before it has come back, so days stay in order, all workers are busy
as long as there are enough parlors, and a worker that dies costs the days then in work and no more.
"""

from __future__ import annotations

import multiprocessing
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from typing import Final

from ingest.fleet.layout import ParlorTask
from ingest.fleet.record import Failure
from ingest.fleet.work import Outcome, StepReport, run_step

MOST_DEATHS: Final = 2
"""A parlor in work at so many deaths goes on alone, to show whether it is to blame (engineering choice)."""

Step = Callable[[ParlorTask, int], StepReport]


@dataclass(slots=True)
class _Way:
    """How far a parlor has come, and how many workers have died over it."""

    task: ParlorTask
    step: int = 0
    deaths: int = 0
    stopped: bool = False

    @property
    def done(self) -> bool:
        """Tell whether nothing is left to do."""
        return self.stopped or self.step >= self.task.steps

    def advance(self, report: StepReport) -> None:
        """Take note of a step that has come back."""
        self.step += 1
        self.stopped = report.outcome is Outcome.FAILED


class ProcessPool:
    """Run the tasks of parlors in processes.

    Parameters
    ----------
    workers:
        Processes at a time.
    step:
        Does one step of a task.
    """

    def __init__(self, workers: int, *, step: Step = run_step) -> None:
        self._workers = workers
        self._step = step

    def run(self, tasks: Sequence[ParlorTask]) -> Iterator[StepReport]:
        """Do all steps of all tasks; a worker that dies is replaced.

        Yields
        ------
        StepReport
            As the steps come to their end.
        """
        ways = [_Way(task) for task in tasks]
        while left := [way for way in ways if not way.done]:
            crowd = [way for way in left if way.deaths < MOST_DEATHS]
            if crowd:
                yield from self._together(crowd, self._workers)
                continue
            yield from self._together(left[:1], 1)
            if not left[0].done:
                yield _died(left[0])

    def _together(self, ways: Sequence[_Way], workers: int) -> Iterator[StepReport]:
        """Do steps until all are done or a worker dies."""
        queue = deque(ways)
        running: dict[Future[StepReport], _Way] = {}
        with ProcessPoolExecutor(workers, mp_context=multiprocessing.get_context("spawn")) as pool:
            try:
                while queue or running:
                    # No more at once than there are workers: whoever is in work at a death is a suspect.
                    while queue and len(running) < workers:
                        way = queue.popleft()
                        running[pool.submit(self._step, way.task, way.step)] = way
                    for future in wait(running, return_when=FIRST_COMPLETED).done:
                        report = future.result()
                        way = running.pop(future)
                        way.advance(report)
                        if not way.done:
                            queue.append(way)
                        yield report
            except BrokenProcessPool:
                for way in running.values():
                    way.deaths += 1


def _died(way: _Way) -> StepReport:
    """Give a parlor up over which worker after worker has died."""
    way.stopped = True
    days = way.task.days
    date = days[way.step].date if way.step < len(days) else ""
    what = "the process that worked on it died again and again; out of memory?"
    return StepReport(way.task.parlor, date, Outcome.FAILED, 0, (Failure(way.task.parlor, date, "", what),))
