"""One stall closely: its last events with their kept waveforms, its condition and its history."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any, Final

from dashboards.matching import NS_PER_S
from store.engine import Value
from store.history import History
from store.question import records

EVENTS: Final = 12
CONDITIONS: Final = 8
DAYS: Final = 14
_EVENTS_SQL: Final = """
SELECT event_id AS id, kind, epoch_ms(start_at) AS start, epoch_ms(end_at) AS "end", air_l, depth_kpa,
    pulses, phase, cause, cause_share AS share
FROM air_event WHERE parlor = $parlor AND stall = $stall ORDER BY start_at DESC LIMIT $most
"""
_CONDITIONS_SQL: Final = """
SELECT condition, epoch_ms(start_at) AS start, epoch_ms(end_at) AS "end", evidence
FROM condition_event WHERE parlor = $parlor AND stall = $stall ORDER BY start_at DESC LIMIT $most
"""
_HISTORY_SQL: Final = """
SELECT day::VARCHAR AS day, milkings, slips, 100.0 * slips / milkings AS slips_per_100, fall_offs,
    unsupported_s, yield_kg
FROM stall_day WHERE parlor = $parlor AND stall = $stall AND day >= $from_day ORDER BY day DESC
"""


def stall_record(history: History, parlor: str, stall: int, *, now_ns: int) -> dict[str, Any]:
    """Return what the history says of one stall.

    Parameters
    ----------
    history, parlor:
        The open history and whose it is.
    stall:
        Number of the stall.
    now_ns:
        The parlor's present [ns since 1970-01-01 UTC].
    """
    whose: dict[str, Value] = {"parlor": parlor, "stall": stall}
    from_day = datetime.fromtimestamp(now_ns / NS_PER_S, UTC).replace(tzinfo=None) - timedelta(days=DAYS)

    def rows(sql: str, **more: Value) -> list[dict[str, Any]]:
        return records(history, sql, whose | more)

    return {
        "stall": stall,
        "events": rows(_EVENTS_SQL, most=EVENTS),
        "conditions": rows(_CONDITIONS_SQL, most=CONDITIONS),
        "days": rows(_HISTORY_SQL, from_day=from_day),
    }
