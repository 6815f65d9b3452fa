"""The day's figures, held against the same hours of the days before."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from statistics import median
from typing import Any, Final

from dashboards.matching import NS_PER_S
from store.engine import Value
from store.history import History
from store.question import records

DAYS: Final = 14
"""Days to compare with (the issue's own number)."""
_SQL: Final = """
WITH shifted AS (
    SELECT start_at + to_seconds($offset_s) AS local_at, * FROM milking
    WHERE parlor = $parlor AND start_at >= $from_at AND start_at < $now_at
)
SELECT datediff('day', local_at::DATE, $today::DATE) AS days_ago, count(*) AS milkings,
    count(*) FILTER (complete) AS whole, coalesce(sum(slips) FILTER (complete), 0)::BIGINT AS slips,
    sum(yield_kg) AS milk_kg, sum(fall_offs)::BIGINT AS fall_offs,
    coalesce(sum(unsupported_s), 0) / nullif(sum(unit_on_s), 0) AS unsupported_ratio
FROM shifted WHERE local_at - date_trunc('day', local_at) < $now_at + to_seconds($offset_s) - $today
GROUP BY ALL ORDER BY days_ago
"""
FIGURES: Final = ("milkings", "milk_kg", "slips_per_100", "fall_offs", "unsupported_ratio")


def day_figures(history: History, parlor: str, *, now_ns: int, offset_s: int) -> dict[str, Any]:
    """Return today's figures up to now and the median of the same hours of the last days.

    Parameters
    ----------
    history:
        The open history.
    parlor:
        Slug of the parlor.
    now_ns:
        The parlor's present [ns since 1970-01-01 UTC].
    offset_s:
        What the farm's clock is ahead of UTC [s]; its day begins at its own midnight.

    Returns
    -------
    dict
        ``today`` and ``usual`` by figure (None where nothing can be said), ``days`` compared with.
    """
    now = datetime.fromtimestamp(now_ns / NS_PER_S, UTC).replace(tzinfo=None)
    local = now + timedelta(seconds=offset_s)
    today = local.replace(hour=0, minute=0, second=0, microsecond=0)
    values: dict[str, Value] = {
        "parlor": parlor,
        "offset_s": offset_s,
        "now_at": now,
        "today": today,
        "from_at": today - timedelta(days=DAYS, seconds=offset_s),
    }
    rows = [_with_rate(row) for row in records(history, _SQL, values)]
    before = [row for row in rows if 1 <= row["days_ago"] <= DAYS]
    own = next((row for row in rows if row["days_ago"] == 0), {"milkings": 0, "milk_kg": 0.0, "fall_offs": 0})
    return {
        "today": {name: _short(own.get(name)) for name in FIGURES},
        "usual": {name: _usual(name, before) for name in FIGURES},
        "days": len(before),
    }


def _with_rate(row: dict[str, Any]) -> dict[str, Any]:
    return row | {"slips_per_100": 100.0 * row["slips"] / row["whole"] if row["whole"] else None}


def _usual(name: str, rows: Sequence[dict[str, Any]]) -> float | None:
    known = [float(row[name]) for row in rows if row[name] is not None]
    return _short(median(known)) if known else None


def _short(value: float | None) -> float | None:
    return None if value is None else round(float(value), 4)
