"""Which stalls slip more than expected; the same for groups, and for milkers without judgement."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Final

import duckdb
import numpy as np

from store.evidence.dispersion import dispersion
from store.evidence.funnel import funnel, high_p
from store.evidence.interval import Array, floats
from store.evidence.shrinkage import fit_prior, probability_above, shrink
from store.evidence.trend import adjusted_p, stepped_p
from store.inquiry.daily import Period, StallDays

FEWEST_EXPECTED: Final = 5.0
"""Slips a unit must be expected to have before it is judged."""
FEWEST_SESSIONS: Final = 20
"""Sessions a milker must have worked before a figure is shown (contract)."""
_ALPHA: Final = 0.01
"""Chance of any false outlier among all units of one question (engineering choice)."""
_LEAST_RATIO: Final = 1.25
"""A stall less far above the others is left in peace (engineering choice)."""
_FAR: Final = 1.5
"""Ratio to the median above which a stall's probability ranks it."""

_GROUPS: Final = """
WITH counted AS (
    SELECT group_name AS unit, stall, start_at::DATE AS day, count(*) AS n, sum(slips) AS slips
    FROM milking
    WHERE complete AND parlor = $1 AND start_at >= $2 AND start_at < $3 AND group_name IS NOT NULL
    GROUP BY ALL
),
rates AS (SELECT stall, sum(slips) / sum(n) AS rate FROM counted GROUP BY stall)
SELECT unit, day, sum(n) AS milkings, sum(slips) AS slips, sum((n * rate)::DECIMAL(18, 6)) AS expected
FROM counted JOIN rates USING (stall) GROUP BY unit, day ORDER BY unit, day
"""
_MILKERS: Final = """
WITH counted AS (
    SELECT milker AS unit, stall, coalesce(group_name, '') AS herd_group, hour(start_at) < 12 AS early,
        start_at::DATE AS day, count(*) AS n, sum(slips) AS slips
    FROM milking
    WHERE complete AND parlor = $1 AND start_at >= $2 AND start_at < $3 AND milker IS NOT NULL
    GROUP BY ALL
),
rates AS (SELECT herd_group, early, sum(slips) / sum(n) AS rate FROM counted GROUP BY ALL)
SELECT unit, count(DISTINCT (day, early)) AS sessions, sum(n) AS milkings, sum(slips) AS slips,
    sum((n * rate)::DECIMAL(18, 6)) AS expected
FROM counted JOIN rates USING (herd_group, early) GROUP BY unit ORDER BY unit
"""


@dataclass(frozen=True, slots=True)
class UnitFigures:
    """One stall, group or milker: counts, the rate, and the ratio to its expectation after shrinking.

    ``outlier`` is None where the unit is not judged: too little was expected of it, or it is a person.
    ``q`` bounds the share of false finds among all units at least as high (Benjamini and Hochberg).
    """

    name: str
    milkings: int
    slips: int
    expected: float
    ratio: float | None
    low: float | None
    high: float | None
    outlier: bool | None
    probability: float | None = None
    q: float | None = None

    @property
    def per_100(self) -> float | None:
        """Return slips in 100 milkings."""
        return 100.0 * self.slips / self.milkings if self.milkings else None


@dataclass(frozen=True, slots=True)
class Judged:
    """Units with the spread that was allowed for: ``within`` one unit's days, ``tau2`` between units."""

    units: tuple[UnitFigures, ...]
    within: float
    tau2: float

    @property
    def outliers(self) -> tuple[UnitFigures, ...]:
        """Return the units beyond what chance and ordinary differences explain."""
        return tuple(unit for unit in self.units if unit.outlier)


def judge_stalls(daily: StallDays, period: Period, noted: dict[int, date]) -> Judged:
    """Return the stalls of a period, worst first.

    Parameters
    ----------
    daily:
        The history day by day.
    period:
        The days looked into.
    noted:
        The day from which a stall had been worked on; such stalls are expected to do as the other
        ones that were, so that a remedy does not make the untouched look bad.
    """
    columns = daily.columns(period)
    y, x = daily.slips[:, columns], daily.milkings[:, columns]
    seen = x.sum(1) > 0.0
    y, x = y[seen], x[seen]
    names = [str(stall) for stall, there in zip(daily.stalls, seen, strict=True) if there]
    touched = _touched(daily, period, noted)[seen]
    return judge(names, y, x, touched)


def judge(names: list[str], slips: Array, milkings: Array, touched: Array | None = None) -> Judged:
    """Return units with their figures, worst first.

    Parameters
    ----------
    names:
        Of the units.
    slips, milkings:
        Day by day, shape (units, days).
    touched:
        1 where a unit had been worked on by that day, same shape; the two conditions are compared
        each with itself.
    """
    if not names or slips.sum() <= 0.0:
        return Judged(tuple(_bare(n, s, m) for n, s, m in zip(names, slips, milkings, strict=True)), 1.0, 0.0)
    within = dispersion(slips, milkings)
    observed = slips.sum(1)
    parts = np.zeros_like(slips) if touched is None else touched
    odd = np.zeros(len(names), dtype=bool)
    for _ in range(5):
        expected = _expected(slips, milkings, parts, ~odd)
        found = funnel(observed, expected, within=within)
        p = high_p(found.z, len(names))
        adjusted = stepped_p(p)
        flagged = (adjusted < _ALPHA) & (observed >= _LEAST_RATIO * expected) & (expected >= FEWEST_EXPECTED)
        if (flagged == odd).all():
            break
        odd = flagged
    units = _figures(names, milkings, observed, expected, verdict=(odd, adjusted_p(p)), within=within)
    return Judged(units, within, found.tau2)


def read_groups(reader: duckdb.DuckDBPyConnection, parlor: str, period: Period) -> Judged:
    """Return the groups of a period as stalls are, each held against the stalls its cows stood in."""
    found = reader.execute(_GROUPS, [parlor, period.start, period.end]).fetchnumpy()
    if found["unit"].size == 0:
        return Judged((), 1.0, 0.0)
    names, row = np.unique(np.asarray(found["unit"]).astype(str), return_inverse=True)
    _, column = np.unique(np.asarray(found["day"]), return_inverse=True)
    shape = (names.size, int(column.max()) + 1)
    tables = []
    for figure in ("slips", "milkings", "expected"):
        table = np.zeros(shape)
        table[row, column] = floats(found[figure])
        tables.append(table)
    slips, milkings, expected = tables
    if slips.sum() <= 0.0 or names.size < 2:
        return Judged(tuple(_bare(n, s, m) for n, s, m in zip(names, slips, milkings, strict=True)), 1.0, 0.0)
    within = dispersion(slips, expected)
    observed, mean = slips.sum(1), np.maximum(expected.sum(1), 1e-9)
    scores = funnel(observed, mean, within=within).z
    p = high_p(scores, 1000)
    adjusted = stepped_p(p)
    odd = (adjusted < _ALPHA) & (observed >= _LEAST_RATIO * mean) & (mean >= FEWEST_EXPECTED)
    units = _figures(list(names), milkings, observed, mean, verdict=(odd, adjusted_p(p)), within=within)
    return Judged(units, within, 0.0)


def read_milkers(reader: duckdb.DuckDBPyConnection, parlor: str, period: Period) -> tuple[UnitFigures, ...]:
    """Return the milkers of a period in the order of their names; people are neither judged nor ranked.

    Only who worked 20 sessions or more is shown, held against the groups and shifts worked.
    """
    rows = reader.execute(_MILKERS, [parlor, period.start, period.end]).fetchall()
    shown = [row for row in rows if row[1] >= FEWEST_SESSIONS and row[4] is not None and row[4] > 0]
    if not shown:
        return ()
    observed, expected = floats([row[3] for row in shown]), floats([row[4] for row in shown])
    shrunk = shrink(observed, expected, fit_prior(observed, expected))
    figures = []
    for i, (name, _, milkings, slips, expectation) in enumerate(shown):
        ratio, low, high = (float(side[i]) for side in (shrunk.ratio, shrunk.low, shrunk.high))
        unit = UnitFigures(
            str(name),
            int(milkings),
            int(slips),
            float(expectation),
            ratio=ratio,
            low=low,
            high=high,
            outlier=None,
        )
        figures.append(unit)
    return tuple(figures)


def _touched(daily: StallDays, period: Period, noted: dict[int, date]) -> Array:
    """Return where a stall had been worked on, shape (stalls, days); nowhere if either side is small."""
    columns = daily.columns(period)
    days = np.arange(columns.start, columns.stop)
    table = np.zeros((len(daily.stalls), days.size))
    for row, stall in enumerate(daily.stalls):
        if stall in noted:
            table[row] = days >= (noted[stall] - daily.first).days
    sides = table.any(1).sum(), (1.0 - table).any(1).sum()
    return table if min(sides) >= 5 else np.zeros_like(table)


def _expected(slips: Array, milkings: Array, parts: Array, ordinary: Array) -> Array:
    """Return what each unit would have at the rate of the ordinary ones, each condition by itself."""
    expected = np.zeros(slips.shape[0])
    for part in (0.0, 1.0):
        here = parts == part
        counted = here & ordinary[:, None].astype(bool)
        rate = float((slips * counted).sum()) / max(float((milkings * counted).sum()), 1.0)
        expected += rate * (milkings * here).sum(1)
    return np.maximum(expected, 1e-9)


def _figures(
    names: list[str],
    milkings: Array,
    observed: Array,
    expected: Array,
    *,
    verdict: tuple[Array, Array],
    within: float,
) -> tuple[UnitFigures, ...]:
    """Return the figures of units, worst first; the verdict is who stands out, and each q value."""
    odd, q = verdict
    prior = fit_prior(observed / within, expected / within)
    shrunk = shrink(observed, expected, prior, within=within)
    median = float(np.median(shrunk.ratio))
    far = probability_above(observed / within, expected / within, prior, bound=_FAR * median)
    total = milkings.sum(1)
    units = [
        UnitFigures(
            name=str(name),
            milkings=round(total[i]),
            slips=round(observed[i]),
            expected=float(expected[i]),
            ratio=float(shrunk.ratio[i]),
            low=float(shrunk.low[i]),
            high=float(shrunk.high[i]),
            outlier=bool(odd[i]) if expected[i] >= FEWEST_EXPECTED else None,
            probability=float(far[i]),
            q=float(q[i]) if expected[i] >= FEWEST_EXPECTED else None,
        )
        for i, name in enumerate(names)
    ]
    return tuple(sorted(units, key=lambda unit: (-(unit.probability or 0.0), -(unit.ratio or 0.0))))


def _bare(name: str, slips: Array, milkings: Array) -> UnitFigures:
    """Return a unit of which nothing but the counts can be said."""
    return UnitFigures(
        str(name), round(milkings.sum()), round(slips.sum()), 0.0, None, None, None, outlier=None
    )
