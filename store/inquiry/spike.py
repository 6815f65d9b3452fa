"""When cell counts rose: in the bulk tank if it was sampled often, else in new infections by test day."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date
from typing import Final

import duckdb
import numpy as np

from store.evidence.interval import Array, floats
from store.evidence.rates import rate_ratio
from store.evidence.scan import scan_p

_BULK: Final = "SELECT date, scc_cells_ml FROM bulk_tank WHERE scc_cells_ml > 0 ORDER BY date"
_NEW: Final = "SELECT date, new, at_risk FROM new_infection WHERE at_risk > 0 ORDER BY date"
_FEWEST_SAMPLES: Final = 16
_FEWEST_SIDE: Final = 4
"""Samples on either side of a rise of the bulk tank (engineering choice)."""
_FEWEST_TEST_DAYS: Final = 3
_ALPHA: Final = 0.01
_LEAST_RATIO: Final = 1.2
"""A rise smaller than this is not worth telling (engineering choice)."""


@dataclass(frozen=True, slots=True)
class Spike:
    """A rise of cell counts: its day, the series it was found in, how, and how large it is."""

    day: date
    series: str
    method: str
    ratio: float


def find_spike(reader: duckdb.DuckDBPyConnection) -> Spike | None:
    """Return the rise of cell counts beyond chance, None when there is none or nothing was sampled."""
    return _of_bulk_tank(reader) or _of_new_infections(reader)


def _of_bulk_tank(reader: duckdb.DuckDBPyConnection) -> Spike | None:
    """Return the rise of the bulk tank's cell count, as a shift of the mean of its logarithm."""
    found = reader.execute(_BULK).fetchnumpy()
    logs = np.log(floats(found["scc_cells_ml"]))
    if logs.size < _FEWEST_SAMPLES:
        return None
    at, statistic, rise = _shift(logs)
    p = scan_p(statistic, _FEWEST_SIDE / logs.size)
    if p > _ALPHA or rise < math.log(_LEAST_RATIO):
        return None
    day = np.asarray(found["date"]).astype("datetime64[D]")[at].astype(date)
    return Spike(
        day, "bulk tank", "shift of the mean log cell count, serial correlation allowed for", math.exp(rise)
    )


def _shift(logs: Array) -> tuple[int, float, float]:
    """Return where the mean shifts most, twice the log likelihood ratio of it, and the shift."""
    size = logs.size
    places = range(_FEWEST_SIDE, size - _FEWEST_SIDE + 1)
    errors = [float(logs[:k].var() * k + logs[k:].var() * (size - k)) for k in places]
    best = int(np.argmin(errors))
    at = places[best]
    residual = np.concatenate([logs[:at] - logs[:at].mean(), logs[at:] - logs[at:].mean()])
    total = max(float((residual**2).sum()), 1e-12)
    serial = min(0.9, max(0.0, float((residual[1:] * residual[:-1]).sum()) / total))
    plain = size * math.log(max(float(logs.var() * size), 1e-12) / total)
    return at, plain * (1.0 - serial) / (1.0 + serial), float(logs[at:].mean() - logs[:at].mean())


def _of_new_infections(reader: duckdb.DuckDBPyConnection) -> Spike | None:
    """Return the test day from which new infections were more frequent than before."""
    found = reader.execute(_NEW).fetchnumpy()
    new, at_risk = floats(found["new"]), floats(found["at_risk"])
    best: tuple[float, int, float] | None = None
    for k in range(1, new.size):
        after = rate_ratio(round(new[k:].sum()), at_risk[k:].sum(), round(new[:k].sum()), at_risk[:k].sum())
        if after is None or after.p is None or after.value < _LEAST_RATIO:
            continue
        if best is None or after.p < best[0]:
            best = (after.p, k, after.value)
    if new.size < _FEWEST_TEST_DAYS or best is None or best[0] * (new.size - 1) > _ALPHA:
        return None
    day = np.asarray(found["date"]).astype("datetime64[D]")[best[1]].astype(date)
    return Spike(day, "new infections by test day", "exact rate ratio, adjusted for the days tried", best[2])
