"""A larger fleet on every engine, with kills, timed in rounds; a script apart from the tests.

``python -m tests.system.long_fleet [--parlors 4] [--stalls 16] [--minutes 40] [--rounds 3]`` simulates
parlors over midnight and works them through in one process, in a pool of two, on Spark ``local[2]`` and
``local-cluster[2,1,1024]``, one after another in each round so that other work on the machine hits
all alike. Each line of JSON has the seconds to start, the seconds of the work, processor seconds of
both, and whether the hash of all tables is that of one replay a parlor. Then each engine loses its
workers in the middle of the work, which must not change the hash. It ends with 1 if any differs.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import os
import sys
import tempfile
import threading
import time
from concurrent.futures import ProcessPoolExecutor
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import pyspark

from ingest.fleet.layout import plan_fleet
from ingest.fleet.pool import ProcessPool
from ingest.fleet.run import Engine, run_fleet
from ingest.fleet.spark import SparkEngine
from tests.ingest.barns import Barn, barn, digest, fleet_tables, lay, replayed_tables
from tests.system.spark_workers import below, executors_of, kill_when, processor_s, workers_of

ENGINES: Final = ("1", "2", "local[2]", "local-cluster[2,1,1024]")
"""Processes of a pool, or Spark's masters."""


@dataclass(frozen=True, slots=True)
class Trial:
    """One run of one engine: where captures lie, where results go, and whether workers are killed."""

    engine: str
    captures: Path
    out: Path
    kill: bool


def main() -> int:
    """Run all rounds, then the kills."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--parlors", type=int, default=4)
    parser.add_argument("--stalls", type=int, default=16)
    parser.add_argument("--minutes", type=float, default=40.0)
    parser.add_argument("--rounds", type=int, default=3)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        os.environ["SPARK_HOME"] = str(_spark_home(folder))
        barns = [
            barn(f"barn{n}", seed=80 + n, stalls=options.stalls, minutes=options.minutes)
            for n in range(options.parlors)
        ]
        lay(barns, folder / "captures", cut_s=600)
        expected = _replayed(barns, folder)
        kills = [*[False] * options.rounds, True]
        trials = [
            Trial(engine, folder / "captures", Path(tempfile.mkdtemp(dir=folder)), kill)
            for kill in kills
            for engine in ENGINES
        ]
        return 0 if min([_in_own_process(trial, expected) for trial in trials]) else 1  # all are run


def _replayed(barns: list[Barn], folder: Path) -> str:
    """Replay each parlor in one go, into a history."""
    begun_s = time.monotonic()
    expected = digest(replayed_tables(barns, folder))
    messages = sum(len(one.messages) for one in barns)
    size = sum(file.stat().st_size for file in (folder / "captures").rglob("*.parquet"))
    _tell(engine="replay", messages=messages, bytes=size, work_s=time.monotonic() - begun_s)
    return expected


def _in_own_process(trial: Trial, expected: str) -> bool:
    """Run a trial where nothing is loaded yet, and compare its tables."""
    with ProcessPoolExecutor(1, mp_context=multiprocessing.get_context("spawn")) as fresh:
        told = fresh.submit(_run, trial, time.time()).result()
    same = digest(fleet_tables(trial.out)) == expected
    _tell(engine=trial.engine, **told, same=same)
    return same and told["failures"] == 0


def _run(trial: Trial, begun_s: float) -> dict[str, float]:
    """Run a trial and take its times."""
    with _start(trial.engine) as engine:
        started_s = time.time()
        killer = _Killer(engine, trial)
        summary = run_fleet(plan_fleet(trial.captures, trial.out), engine, trial.out, tell=lambda _: None)
        done_s = time.time()
        return {
            "killed": killer.killed(),
            "start_s": started_s - begun_s,
            "work_s": done_s - started_s,
            "processor_s": processor_s(os.getpid()),
            "failures": len(summary.failures),
        }


def _start(engine: str) -> AbstractContextManager[Engine]:
    return nullcontext(ProcessPool(int(engine))) if engine.isdigit() else SparkEngine.open(engine)


class _Killer:
    """Kills all workers, or executors where there are any, once the first day of any parlor is done."""

    def __init__(self, engine: Engine, trial: Trial) -> None:
        self._engine = engine
        self._trial = trial
        self._count = 0
        self._thread = threading.Thread(target=self._kill)
        if trial.kill:
            self._thread.start()

    def killed(self) -> int:
        """Return how many were killed."""
        if self._trial.kill:
            self._thread.join()
        return self._count

    def _kill(self) -> None:
        self._count = kill_when(self._begun, self._victims, most_s=600.0)

    def _begun(self) -> bool:
        return any(self._trial.out.glob("_runs/*/record.json"))

    def _victims(self) -> list[int]:
        if isinstance(self._engine, SparkEngine):
            return executors_of(self._engine.session) or workers_of(self._engine.session)
        return [child.pid for child in multiprocessing.active_children() if child.pid in below(os.getpid())]


def _spark_home(folder: Path) -> Path:
    """Return Spark's folder as links, so that a cluster leaves its files with ours."""
    home = folder / "spark"
    home.mkdir()
    for part in Path(pyspark.__file__).parent.iterdir():
        (home / part.name).symlink_to(part)
    return home


def _tell(**figures: object) -> None:
    rounded = {name: round(f, 2) if isinstance(f, float) else f for name, f in figures.items()}
    print(json.dumps(rounded), flush=True)


if __name__ == "__main__":
    sys.exit(main())
