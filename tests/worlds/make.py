"""Make a capture of one world, and the truth about it.

Run ``python -m tests.worlds.make NAME --seed N --out DIR``; nothing of detector or simulator is used.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Final

import numpy as np
import polars as pl

from tests.worlds import sensors, truth
from tests.worlds.plan import WORLDS, Order, make_plan
from tests.worlds.ranges import SETS
from tests.worlds.stall import Site, draw_site, make_stall, plant_messages

CAPTURE: Final = {"recv_ns": pl.Int64, "topic": pl.String, "payload": pl.Binary}


def make_world(order: Order, out: Path) -> None:
    """Write ``capture.parquet``, the truth and ``world.json`` into a folder."""
    rng = order.rng()
    plan = make_plan(rng, order)
    site = draw_site(rng, order, plan)
    clock = truth.Clock(site.start_ms)
    tables = {
        "truth_support": [truth.support_row(clock, spell) for spell in plan.spells],
        "truth_plant": [truth.plant_row(clock, dip) for dip in plan.dips],
    }
    frames = []
    for stall in range(1, order.stalls + 1):
        own = np.random.default_rng(rng.integers(2**63))
        rows, true_rows = make_stall(own, order, plan, site, stall=stall)
        frames.append(_frame(rows))
        for name, more in true_rows.items():
            tables.setdefault(name, []).extend(more)
    if order.plant_sensor:
        frames.append(_frame(plant_messages(rng, order, site)))
    out.mkdir(parents=True, exist_ok=True)
    capture = pl.concat(frames).sort("recv_ns", maintain_order=True)
    capture.write_parquet(out / "capture.parquet", compression="zstd", row_group_size=50_000)
    truth.write_truth(out, order.parlor, tables)
    (out / "world.json").write_text(json.dumps(_told(order, site), indent=1) + "\n")


def _frame(rows: list[sensors.Row]) -> pl.DataFrame:
    return pl.DataFrame(rows, schema=CAPTURE, orient="row")


def _told(order: Order, site: Site) -> dict[str, object]:
    """Return what an operator would know of the site; the altitude is the barometer's in the standard air."""
    altitude_m = 44_330.8 * (1.0 - (site.ambient_kpa / 101.325) ** 0.190263)
    return {
        "world": order.name,
        "seed": order.seed,
        "ranges": order.set_name,
        "stalls": order.stalls,
        "altitude_m": round(max(altitude_m, 0.0)),
    }


def main(arguments: list[str] | None = None) -> None:
    """Read the command line and make one capture."""
    parser = argparse.ArgumentParser(description="Make a capture of one world, and the truth about it.")
    parser.add_argument("name", choices=sorted(WORLDS))
    parser.add_argument("--seed", type=int, required=True)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--stalls", type=int, default=24)
    parser.add_argument("--minutes", type=float, default=60.0)
    parser.add_argument("--ranges", choices=sorted(SETS), default="tune")
    parser.add_argument("--no-plant-sensor", action="store_true")
    told = parser.parse_args(arguments)
    order = Order(told.name, told.seed, told.stalls, told.minutes, told.ranges, not told.no_plant_sensor)
    make_world(order, told.out)


if __name__ == "__main__":
    main()
