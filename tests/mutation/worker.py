"""A worker: the drawn mutants of one module, tried one after the other in a process of its own."""

from __future__ import annotations

import os
from pathlib import Path

from tests.mutation.report import Tried
from tests.mutation.trial import Plan, Trial

HOME = Path(__file__).parents[2]
NO_FOLDER = "/dev/null/none"
"""Where no machine code can be kept: that of a mutated kernel is good for one process only."""
_PROGRESS = os.dup(2)


def begin(nice: int) -> None:
    """Set a worker up: lower its rank, let the tests be silent."""
    os.nice(nice)
    os.chdir(HOME)
    silence = os.open(os.devnull, os.O_WRONLY)
    for stream in (1, 2):
        os.dup2(silence, stream)


def tried(plan: Plan, only: tuple[int, ...]) -> Tried:
    """Try the drawn mutants of one module, or those with the given numbers."""
    if "@compiled" in (HOME / f"{plan.module.replace('.', '/')}.py").read_text():
        os.environ["QUIETCLAW_CACHE_DIR"] = NO_FOLDER
    trial = Trial(plan, HOME)
    trial.prepare()
    trial.leave_out_failing()
    left_out = (
        f"; left out, since they fail without any mutant: {', '.join(trial.failing)}" if trial.failing else ""
    )
    _say(f"{plan.module}: {len(trial.watch.reached)} tests{left_out}")
    drawn = trial.drawn() if not only else [m for m in trial.mutants if m.number in only]
    fates = []
    for i, mutant in enumerate(drawn, 1):
        fates.append((mutant, trial.fate(mutant)))
        _say(f"{plan.module} {i}/{len(drawn)} line {mutant.line}: {mutant.what}: {fates[-1][1].value}")
    return Tried(plan.module, fates, len(trial.mutants))


def _say(text: str) -> None:
    """Show progress, on the stream that the tests do not write to."""
    os.write(_PROGRESS, f"{text}\n".encode())
