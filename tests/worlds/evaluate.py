"""Judge the product on worlds: make captures, replay them, score them, and print one table.

Run ``python -m tests.worlds.evaluate --work DIR``. Captures stay in the folder and are made anew only when
the generator has changed. The product is used by its command line alone. Beside each capture ``score.json``
holds every figure; that of the folder itself holds those of all captures of the last run.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import subprocess
import sys
import time
from pathlib import Path
from typing import Any, Final

import polars as pl

from tests.worlds.evaluate_table import table
from tests.worlds.make import make_world
from tests.worlds.plan import WORLDS, Order
from tests.worlds.ranges import SETS

NOT_GENERATING: Final = ("bench.py", "evaluate.py", "evaluate_table.py", "test_worlds.py", "plug_inverse.py")


def generator() -> str:
    """Return a digest of everything a capture depends on but its order."""
    digest = hashlib.sha256()
    for path in sorted(Path(__file__).parent.glob("*.py")):
        if path.name not in NOT_GENERATING:
            digest.update(path.read_bytes())
    return digest.hexdigest()[:16]


def capture_of(order: Order, work: Path) -> Path:
    """Return the folder of a capture, made if need be."""
    sensor = "" if order.plant_sensor else "-noplant"
    folder = work / f"{order.name}-{order.set_name}-{order.seed}-{order.stalls}x{order.minutes:g}{sensor}"
    mark = folder / "generator.txt"
    if not mark.exists() or mark.read_text() != generator():
        make_world(order, folder)
        mark.write_text(generator())
    return folder


def judge(folder: Path) -> dict[str, Any]:
    """Replay a capture into a new history, and return its score."""
    db = folder / "history.duckdb"
    for old in folder.glob("history.duckdb*"):
        old.unlink()
    site = json.loads((folder / "world.json").read_text())
    begun = time.perf_counter()
    _product(
        "replay", folder / "capture.parquet", "--db", db, "--set", f"parlor.altitude_m={site['altitude_m']}"
    )
    score = json.loads(_product("score", "--db", db, "--truth", folder, "--json"))
    score["capture"] = {
        "folder": folder.name,
        "world": site["world"],
        "milkings": pl.read_parquet(folder / "truth_milkings.parquet").height,
        "replay_s": round(time.perf_counter() - begun, 1),
    }
    score["clear_events"] = _clear(folder, score)
    (folder / "score.json").write_text(json.dumps(score, indent=1) + "\n")
    return score


def _clear(folder: Path, score: dict[str, Any]) -> dict[str, int]:
    """Count true events of both 0.15 L and 2 kPa, and those of them that were missed."""
    truth = pl.read_parquet(folder / "truth_events.parquet")
    missed = [m for m in score["events"]["missed"] if m["air_l"] >= 0.15 and m["depth_kpa"] >= 2.0]
    whole = truth.filter((pl.col("air_l") >= 0.15) & (pl.col("depth_kpa") >= 2.0)).height
    return {"part": whole - len(missed), "whole": whole}


def _product(*arguments: object) -> str:
    """Run a command of the product and return what it prints."""
    command = [sys.executable, "-m", "dashboards.main", *map(str, arguments)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)  # noqa: S603 - our own program
    if done.returncode:
        sys.exit(f"{' '.join(command)}\n{done.stderr.strip()}")
    return done.stdout


def main(arguments: list[str] | None = None) -> None:
    """Read the command line, judge every capture, and print the table."""
    parser = argparse.ArgumentParser(description="Judge the product on worlds it was not built on.")
    parser.add_argument("--work", type=Path, required=True, help="Folder in which captures are kept.")
    parser.add_argument("--worlds", default=",".join(WORLDS), help="Comma-separated names.")
    parser.add_argument("--seeds", default="1", help="Comma-separated numbers.")
    parser.add_argument("--ranges", choices=sorted(SETS), default="tune")
    parser.add_argument("--stalls", type=int, default=24)
    parser.add_argument("--minutes", type=float, default=60.0)
    parser.add_argument("--no-plant-sensor", action="store_true")
    told = parser.parse_args(arguments)
    scores = []
    for name in told.worlds.split(","):
        for seed in told.seeds.split(","):
            order = Order(
                name, int(seed), told.stalls, told.minutes, told.ranges, plant_sensor=not told.no_plant_sensor
            )
            scores.append(judge(capture_of(order, told.work)))
            print(f"{scores[-1]['capture']['folder']} done", file=sys.stderr)
    (told.work / "score.json").write_text(json.dumps(scores, indent=1) + "\n")
    print(table(scores))


if __name__ == "__main__":
    main()
