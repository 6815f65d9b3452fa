"""Mutation testing: ``python -m tests.mutation [MODULE ...]``, a job for the night.

Small faults are built into a module, one at a time, and the tests that reach the place are run: a fault
that no test notices shows a hole in the tests. Kinds: a comparison turned to its opposite or moved by its
boundary, an operator exchanged, a constant doubled, a condition negated, a side of ``and`` or ``or`` left
out, a statement left out, another result returned. The score is the share of faults that were noticed.
"""

from __future__ import annotations

import argparse
import json
import os
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

from tests.mutation.report import Tried, as_json, as_text
from tests.mutation.targets import is_kernel, targets, warm
from tests.mutation.trial import Plan
from tests.mutation.worker import HOME, begin, tried


def _chosen() -> argparse.Namespace:
    """Read the command line."""
    parser = argparse.ArgumentParser(prog="python -m tests.mutation", description="Mutation testing.")
    parser.add_argument("modules", nargs="*", help="such as detect.claw or store; all when none is named")
    parser.add_argument("--sample", type=int, default=0, help="mutants to draw of each module; 0 takes all")
    parser.add_argument("--seed", type=int, default=1, help="the same seed draws the same mutants")
    parser.add_argument("--workers", type=int, default=2, help="mutants at the same time")
    parser.add_argument("--compiled", action="store_true", help="compile kernels and run all tests on them")
    parser.add_argument("--own", action="store_true", help="own tests alone, and compile nothing at all")
    parser.add_argument("--longest", type=float, default=20.0, help="leave out tests that take longer [s]")
    parser.add_argument("--tests", nargs="+", default=(), help="files or folders instead of the module's own")
    parser.add_argument("--only", type=int, nargs="+", default=(), help="these numbers of one module only")
    parser.add_argument("--again", type=Path, help="only what an earlier --json says was not noticed")
    parser.add_argument("--nice", type=int, default=12, help="how far the workers step back")
    parser.add_argument("--json", type=Path, help="write scores and survivors there as well")
    return parser.parse_args()


def _left_over(result: Path) -> dict[str, tuple[int, ...]]:
    """Return the numbers that an earlier run left alive, by module."""
    rows = json.loads(result.read_text())
    return {row["module"]: tuple(m["number"] for m in row["alive"]) for row in rows if row["alive"]}


def _groups(chosen: argparse.Namespace, names: list[str]) -> list[list[str]]:
    """Return modules that are tried in one process: a room's, kernels that are interpreted apart."""
    groups: dict[tuple[str, bool], list[str]] = {}
    for name in names:
        alone = chosen.own or (not chosen.compiled and is_kernel(HOME, name))
        groups.setdefault((name.partition(".")[0], alone), []).append(name)
    return list(groups.values())


def main() -> None:
    """Try the chosen modules and print survivors and scores."""
    chosen = _chosen()
    known = targets(HOME, interpreted=not chosen.compiled, own=chosen.own)
    only = _left_over(chosen.again) if chosen.again else {}
    wanted = {*(chosen.modules or known)}
    names = [n for n in known if {n, n.partition(".")[0]} & wanted and (n in only or not chosen.again)]
    if chosen.only:
        only = dict.fromkeys(names, tuple(chosen.only))
    done: list[Tried] = []
    for group in _groups(chosen, names):
        interpreted = chosen.own or (not chosen.compiled and is_kernel(HOME, group[0]))
        os.environ["NUMBA_DISABLE_JIT"] = "1" if interpreted else "0"
        modules = {name: tuple(chosen.tests) or known[name] for name in group}
        tests = dict.fromkeys(test for own in modules.values() for test in own)
        ready = warm(HOME, tests) if group[0].startswith("detect.") and not interpreted else ()
        sample = 0 if only else chosen.sample
        plan = Plan(modules, sample, chosen.seed, only, chosen.longest, chosen.workers, ready)
        with ProcessPoolExecutor(1, get_context("spawn"), begin, (chosen.nice,)) as pool:
            done += pool.submit(tried, plan).result()
        if chosen.json:
            chosen.json.write_text(json.dumps(as_json(done), indent=1))
    print(as_text(sorted(done, key=lambda t: t.module)))


if __name__ == "__main__":
    main()
