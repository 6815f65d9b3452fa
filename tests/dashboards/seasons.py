"""The advisor on many seasons of known truth: a long check apart from the tests.

Run with ``python -m tests.dashboards.seasons --seeds 20``; figures of a run stand in DEVELOPERS.md.
"""

from __future__ import annotations

import argparse
import shutil
import tempfile
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path

import numpy as np

from store.exchange import load_tables
from store.health.importer import import_health
from store.history import History
from store.inquiry.compare import Comparison, compare
from store.inquiry.investigate import Investigation, investigate
from tests.dashboards.season import Cows, Season, write_season


@dataclass(frozen=True)
class Judged:
    """What the advisor found of one season."""

    season: Season
    found: Investigation
    remedy: Comparison

    @property
    def outliers(self) -> set[int]:
        """Return the stalls that stand out."""
        return {int(unit.name) for unit in self.found.stalls.outliers}

    @property
    def dated(self) -> bool:
        """Return whether a rise was dated within five days of the truth."""
        near = timedelta(days=5)
        return any(c.rises and abs(c.day - self.season.bad_date) <= near for c in self.found.changes)

    @property
    def risk(self) -> tuple[float, float, float]:
        """Return the pooled risk ratio with its limits."""
        exposure = self.found.exposure
        if exposure is None or exposure.pooled is None:
            return float("nan"), float("nan"), float("nan")
        return exposure.pooled.value, exposure.pooled.low, exposure.pooled.high

    @property
    def control(self) -> tuple[float, float, float]:
        """Return the controlled ratio of the remedy with its limits."""
        ratio = self.remedy.controlled
        return (ratio.value, ratio.low, ratio.high) if ratio else (float("nan"),) * 3


def judge(season: Season) -> Judged:
    """Return what the advisor finds of an invented season."""
    folder = Path(tempfile.mkdtemp())
    try:
        write_season(season, folder)
        with History.open(folder / "farm.duckdb") as history:
            load_tables(history, folder / "tables")
            import_health(history, [folder / "testdays.csv"])
            return Judged(season, investigate(history), compare(history, changed=season.remedy_date))
    finally:
        shutil.rmtree(folder)


def covered(limits: list[tuple[float, float, float]], truth: float) -> float:
    """Return the share of limits that hold the truth."""
    return float(np.mean([low <= truth <= high for _, low, high in limits]))


def tell(name: str, judged: list[Judged]) -> None:
    """Print one row of figures."""
    season = judged[0].season
    risks, controls = [j.risk for j in judged], [j.control for j in judged]
    truth = season.risk_ratio if season.effect else 1.0
    remedy = season.remedy_ratio if season.effect else 1.0
    cells = [
        name,
        f"{sum(j.outliers == set(season.bad_stalls) if season.effect else not j.outliers for j in judged)}",
        f"{sum(j.dated for j in judged)}"
        if season.effect
        else f"{sum(bool(j.found.changes) for j in judged)} false",
        f"{np.nanmean([r[0] for r in risks]):.2f}, covers {covered(risks, truth):.2f}",
        f"{sum(r[1] > 1.0 for r in risks)}",
        f"{np.nanmean([c[0] for c in controls]):.3f}, covers {covered(controls, remedy):.2f}",
        f"{max(abs(c[0] / remedy - 1.0) for c in controls):.2f}",
    ]
    print("| " + " | ".join(cells) + " |", flush=True)


def main() -> None:
    """Judge seasons of each kind, with and without anything happening, and print a table."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--seeds", type=int, default=20)
    parser.add_argument("--kinds", nargs="*", choices=Cows.__members__, default=list(Cows.__members__))
    chosen = parser.parse_args()
    print("| seasons | outliers right | changes | risk ratio | claims | remedy | worst error |")
    for kinds in map(Cows.__getitem__, chosen.kinds):
        for effect in (True, False):
            judged = [
                judge(Season(seed, effect=effect, kinds=kinds)) for seed in range(100, 100 + chosen.seeds)
            ]
            tell(f"{kinds.value}{'' if effect else ', nothing happens'}", judged)


if __name__ == "__main__":
    main()
