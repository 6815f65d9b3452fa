"""What a slip of the period is typically like, by phase of the milk flow and in conspicuous stalls."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from store.history import History
from store.inquiry.daily import Period

_TYPICAL: Final = """
SELECT {name} AS name, count(*),
    median(epoch_us(end_at) - epoch_us(start_at)) / 1e6, median(depth_kpa), median(air_l), median(flow_kg_min)
FROM air_event
WHERE kind = 'liner_slip' AND parlor = $1 AND start_at >= $2 AND start_at < $3 {only}
GROUP BY 1 ORDER BY 1
"""


@dataclass(frozen=True, slots=True)
class TypicalEvents:
    """Medians of some slips: number, length [s], depth [kPa], free air [L], milk flow [kg/min]."""

    name: str
    number: int
    length_s: float
    depth_kpa: float
    air_l: float
    flow_kg_min: float


def typical_events(
    history: History, parlor: str, period: Period, stalls: Sequence[int]
) -> list[TypicalEvents]:
    """Return the typical slips of a period by phase, then those of some stalls.

    Parameters
    ----------
    history:
        The open history.
    parlor:
        Which parlor.
    period:
        The days looked into.
    stalls:
        Stalls shown by themselves.
    """
    reader = history.reader()
    bounds = [parlor, period.start, period.end]
    try:
        rows = reader.execute(_TYPICAL.format(name="replace(phase, '_', ' ')", only=""), bounds).fetchall()
        if stalls:
            some = _TYPICAL.format(name="'stall ' || stall", only="AND list_contains($4, stall)")
            rows += reader.execute(some, [*bounds, list(stalls)]).fetchall()
    finally:
        reader.close()
    return [TypicalEvents(*row) for row in rows]
