"""Invented seasons with known truth: bad stalls, a remedy, exposed cows at more risk."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from enum import Enum
from pathlib import Path

import numpy as np
import polars as pl

FIRST = date(2026, 1, 5)
START = datetime(2026, 1, 5)  # noqa: DTZ001 - tables hold naive UTC
PARLOR = "willowmere"


class Cows(Enum):
    """How the cows' own slip rates are spread, and who of them counts as exposed."""

    TWO_KINDS = "three in ten slip four times as often and are exposed"
    SPREAD = "gamma-distributed rates; the upper half is exposed"
    STEEP = "gamma-distributed rates; the upper third is exposed"


@dataclass(frozen=True)
class Season:
    """What to invent; ``effect`` False makes a season in which nothing happens."""

    seed: int
    effect: bool = True
    stalls: int = 40
    cows: int = 480
    days: int = 150
    rate: float = 0.08
    bad_stalls: tuple[int, ...] = (7, 23)
    bad_ratio: float = 4.0
    bad_day: int = 50
    remedy_day: int = 100
    remedy_ratio: float = 0.6
    risk: float = 0.06
    risk_ratio: float = 2.0
    kinds: Cows = Cows.TWO_KINDS
    burst: float = 2.0

    @property
    def bad_date(self) -> date:
        """Return the day the bad stalls went bad."""
        return FIRST + timedelta(days=self.bad_day)

    @property
    def remedy_date(self) -> date:
        """Return the day of the remedy."""
        return FIRST + timedelta(days=self.remedy_day)

    @property
    def treated(self) -> tuple[int, ...]:
        """Return the stalls the remedy was done on: the even ones."""
        return tuple(range(2, self.stalls + 1, 2))


def write_season(season: Season, folder: Path) -> None:
    """Write the tables ``milking`` and ``maintenance`` below ``tables`` and the test days as CSV."""
    rng = np.random.default_rng(season.seed)
    exposed, own = _cows(season, rng)
    milkings = _milkings(season, own, rng)
    tables = folder / "tables"
    (tables / "milking").mkdir(parents=True)
    milkings.write_parquet(tables / "milking" / "data.parquet")
    notes = pl.DataFrame(
        {
            "at": [START + timedelta(days=season.remedy_day)] * len(season.treated),
            "stall": season.treated,
            "what": ["hose supports adjusted"] * len(season.treated),
        }
    )
    (tables / "maintenance").mkdir()
    notes.write_parquet(tables / "maintenance" / "data.parquet")
    _test_days(season, exposed, rng).write_csv(folder / "testdays.csv")


def _cows(season: Season, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Return who is exposed and each cow's own factor on the slip rate (mean 1)."""
    if season.kinds is Cows.TWO_KINDS:
        exposed = rng.random(season.cows) < 0.3
        own = np.where(exposed, 4.0, 1.0)
    else:
        own = rng.gamma(1.5, 1.0, season.cows)
        exposed = own > np.quantile(own, 0.5 if season.kinds is Cows.SPREAD else 2.0 / 3.0)
    return exposed, own / own.mean()


def _milkings(season: Season, own: np.ndarray, rng: np.random.Generator) -> pl.DataFrame:
    n, sessions = season.cows, season.days * 2
    cow = np.tile(np.arange(n), sessions)
    session = np.repeat(np.arange(sessions), n)
    order = rng.permuted(np.tile(np.arange(n), (sessions, 1)), axis=1).ravel()
    stall = order % season.stalls + 1
    day = session // 2
    mean = season.rate * own[cow]
    if season.effect:
        bad = np.isin(stall, season.bad_stalls) & (day >= season.bad_day)
        cured = np.isin(stall, season.treated) & (day >= season.remedy_day)
        mean = mean * np.where(bad, season.bad_ratio, 1.0) * np.where(cured, season.remedy_ratio, 1.0)
    slips = rng.poisson(mean * rng.gamma(season.burst, 1.0 / season.burst, mean.size))
    begun = session * 43_200 + 18_000 + order // season.stalls * 480
    start = np.datetime64(START, "us") + begun.astype("timedelta64[s]").astype("timedelta64[us]")
    zero, size = np.zeros(mean.size), mean.size
    return pl.DataFrame(
        {
            "milking_id": np.char.add("m", np.arange(size).astype(str)),
            "parlor": np.repeat(PARLOR, size),
            "stall": stall,
            "cow": (cow + 1).astype(str),
            "milker": np.array(["ann", "bo", "cy"])[session % 3],
            "group_name": np.where(cow % 2, "high", "low"),
            "start_at": start,
            "end_at": start + np.timedelta64(420, "s"),
            "yield_kg": rng.normal(14.0, 3.0, size).clip(2.0),
            "unit_on_s": zero + 400.0,
            "mean_flow_kg_min": zero + 2.1,
            "peak_flow_kg_min": zero + 4.0,
            "two_minute_kg": zero + 5.0,
            "low_flow_s": zero + 20.0,
            "mean_claw_kpa": zero + 38.0,
            "vacuum_at_removal_kpa": zero + 8.0,
            "slips": slips,
            "slip_air_l": 0.4 * slips,
            "late_slips": rng.binomial(slips, 0.4),
            "impact_load_kpa": 2.0 * slips,
            "fall_offs": zero.astype(int),
            "reattaches": zero.astype(int),
            "unsupported_s": rng.exponential(10.0, size),
            "coverage_ratio": zero + 1.0,
            "complete": np.ones(size, dtype=bool),
        }
    )


def _test_days(season: Season, exposed: np.ndarray, rng: np.random.Generator) -> pl.DataFrame:
    """Return test days a month apart: healthy cows stay or fall ill, ill ones recover one time in three."""
    parity = rng.integers(1, 5, season.cows)
    dim = rng.integers(10, 200, season.cows)
    ill = rng.random(season.cows) < 0.12
    risk = season.risk * np.where(exposed & season.effect, season.risk_ratio, 1.0) * (0.8 + 0.1 * parity)
    tables = []
    for day in range(0, season.days, 29):
        if day:
            fresh = ~ill & (rng.random(season.cows) < risk)
            ill = (ill & (rng.random(season.cows) < 0.67)) | fresh
        scc = np.where(
            ill,
            rng.lognormal(13.2, 0.5, season.cows).clip(200_000),
            rng.lognormal(11.0, 0.4, season.cows).clip(0, 199_000),
        )
        tables.append(
            pl.DataFrame(
                {
                    "cow": np.arange(1, season.cows + 1),
                    "date": [(FIRST + timedelta(days=day)).isoformat()] * season.cows,
                    "scc_cells_ml": scc.astype(int),
                    "parity": parity,
                    "dim": dim + day,
                    "milk_kg": rng.normal(28.0, 5.0, season.cows).clip(5.0).round(1),
                }
            )
        )
    return pl.concat(tables)
