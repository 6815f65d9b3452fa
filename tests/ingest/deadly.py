"""A step that takes its own process with it, as one that runs out of memory is taken."""

from __future__ import annotations

import os
import signal

from ingest.fleet.layout import ParlorTask
from ingest.fleet.work import StepReport, run_step

VICTIM = "ferncroft"


def deadly_step(task: ParlorTask, step: int) -> StepReport:
    """Do a step, except that one parlor always kills its worker."""
    if task.parlor == VICTIM:
        os.kill(os.getpid(), signal.SIGKILL)
    return run_step(task, step)
