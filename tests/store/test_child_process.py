"""How a process of our own stands back behind the service."""

from __future__ import annotations

import os
import subprocess
import sys

from store.child_process import environment


def standing(how: str) -> tuple[int, int]:
    """Return niceness and scheduling policy of a process that has called one of the functions."""
    said = f"import os, store.child_process as c; c.{how}(); print(os.nice(0), os.sched_getscheduler(0))"
    command = [sys.executable, "-c", said]
    ran = subprocess.run(command, check=True, capture_output=True, text=True, env=environment(), timeout=30)  # noqa: S603 - our own Python
    nice, policy = ran.stdout.split()
    return int(nice), int(policy)


def test_a_question_runs_only_when_nothing_else_would() -> None:
    """It writes no file, so nobody waits for what it holds."""
    assert standing("stand_aside") == (min(os.nice(0) + 10, 19), os.SCHED_IDLE)


def test_a_copy_is_never_put_to_sleep_for_good() -> None:
    """It writes: a writer that idles keeps the disk's journal from the service's commit."""
    assert standing("give_way") == (min(os.nice(0) + 10, 19), os.SCHED_OTHER)
