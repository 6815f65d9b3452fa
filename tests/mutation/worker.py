"""A worker: the drawn mutants of the modules of one room, in a process of its own."""

from __future__ import annotations

import os
from pathlib import Path

from tests.mutation.children import Fate
from tests.mutation.loader import source
from tests.mutation.report import Tried
from tests.mutation.transform import Mutant
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


def tried(plan: Plan) -> list[Tried]:
    """Try the drawn mutants of the modules of one room."""
    if any("@compiled" in source(HOME, name).read_text() for name in plan.modules):
        os.environ["QUIETCLAW_CACHE_DIR"] = NO_FOLDER
    trial = Trial(plan, HOME)
    trial.prepare()
    trial.leave_out_failing()
    left_out = (
        f"; left out, since they fail without any mutant: {', '.join(trial.failing)}" if trial.failing else ""
    )
    _say(f"{len(trial.watch.reached)} tests{left_out}")
    drawn = sum(len(trial.drawn(module)) for module in trial.modules)
    fates: dict[str, list[tuple[Mutant, Fate]]] = {name: [] for name in plan.modules}
    for i, (module, mutant, fate) in enumerate(trial.fates(), 1):
        fates[module.name].append((mutant, fate))
        _say(f"{i}/{drawn} {module.name}:{mutant.line}: {mutant.what} [{mutant.number}]: {fate.value}")
    return [
        Tried(m.name, sorted(fates[m.name], key=lambda pair: pair[0].number), len(m.mutants))
        for m in trial.modules
    ]


def _say(text: str) -> None:
    """Show progress, on the stream that the tests do not write to."""
    os.write(_PROGRESS, f"{text}\n".encode())
