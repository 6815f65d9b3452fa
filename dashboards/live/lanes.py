"""The drum record: what every stall did in the last minutes, one column a second, and the marks on it.

A column is one character a stall: ``.`` no unit on, ``?`` no data, ``A`` to ``P`` milking at a flow
level, ``a`` to ``p`` the same while the weight is not carried.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Any, Final

from dashboards.matching import NS_PER_S
from detect.kinds import AirKind
from detect.results import AirEvent, PlantEvent, Result
from detect.views import PlantNow, StallNow

SPAN_S: Final = 600
"""What a lane keeps [s]: more than one round of a rotary (engineering choice)."""
IDLE, NO_DATA, CARRIED, UNCARRIED = ".", "?", "A", "a"
LEVELS: Final = 16
LEVEL_KG_MIN: Final = 0.5
"""Milk flow of one level of a lane's body [kg/min]: finer cannot be seen."""
SILENT_S: Final = 2.0
"""Without vacuum for so long a lane shows no data [s] (engineering choice)."""
NS_PER_MS: Final = 1_000_000


@dataclass(frozen=True, slots=True)
class Tick:
    """What has come since the last one: whole columns from ``first_s`` on, and new marks."""

    first_s: int
    columns: tuple[str, ...]
    marks: tuple[list[Any], ...]
    dips: tuple[list[Any], ...]


class Lanes:
    """Keep the columns and marks of the last minutes.

    Parameters
    ----------
    stalls:
        Number of stalls.
    """

    def __init__(self, stalls: int) -> None:
        self._stalls = stalls
        self._columns: deque[str] = deque(maxlen=SPAN_S)
        self._marks: deque[list[Any]] = deque()
        self._dips: deque[list[Any]] = deque()
        self._next_s: int | None = None
        self.open: list[list[Any]] = []
        """Air that is entering now: stall, onset [ms], litres so far, seconds the vacuum was low."""
        self.dip: list[Any] | None = None
        """The plant's dip that goes on: onset [ms], depth [kPa]."""
        self.t_ms = 0

    def add(self, stalls: Sequence[StallNow], plant: PlantNow, results: Iterable[Result]) -> Tick:
        """Take in the detector's view and its results, and return what is new."""
        self.t_ms = plant.t_ns // NS_PER_MS
        marks = [_mark(result) for result in results if isinstance(result, AirEvent)]
        dips = [_dip(result) for result in results if isinstance(result, PlantEvent)]
        self._marks.extend(marks)
        self._dips.extend(dips)
        self.open = [
            [now.stall, now.air_since_ns // NS_PER_MS, round(now.air_l, 2), round(now.low_s, 1)]
            for now in stalls
            if now.air_since_ns is not None
        ]
        since_ns = plant.dip_since_ns
        self.dip = None if since_ns is None else [since_ns // NS_PER_MS, round(plant.dip_kpa, 1)]
        first_s, columns = self._add_columns(stalls, plant.t_ns // NS_PER_S)
        self._forget()
        return Tick(first_s, tuple(columns), tuple(marks), tuple(dips))

    def snapshot(self) -> dict[str, Any]:
        """Return the whole record; each lane as runs of equal seconds, such as ``.40A3B12``."""
        rows = zip(*self._columns, strict=True) if self._columns else iter([()] * self._stalls)
        return {
            "t": self.t_ms,
            "from": (self._next_s or 0) - len(self._columns),
            "lanes": ["".join(f"{code}{len(list(run))}" for code, run in groupby(row)) for row in rows],
            "marks": list(self._marks),
            "dips": list(self._dips),
            "open": self.open,
            "dip": self.dip,
        }

    def _add_columns(self, stalls: Sequence[StallNow], now_s: int) -> tuple[int, list[str]]:
        """Complete the seconds before ``now_s``; a leap over more than the lane is a new record."""
        if self._next_s is None or not 0 <= now_s - self._next_s < SPAN_S:
            self._columns.clear()
            self._next_s = now_s
        first_s, count = self._next_s, now_s - self._next_s
        columns = ["".join(_code(now) for now in stalls)] * count if count else []
        self._columns.extend(columns)
        self._next_s = now_s
        return first_s, columns

    def _forget(self) -> None:
        oldest_ms = self.t_ms - SPAN_S * 1000
        for kept, end in ((self._marks, 2), (self._dips, 1)):
            while kept and kept[0][end] < oldest_ms:
                kept.popleft()


def _code(now: StallNow) -> str:
    if now.silent_s > SILENT_S:
        return NO_DATA
    if not now.attached:
        return IDLE
    level = min(LEVELS - 1, round((now.flow_kg_min or 0.0) / LEVEL_KG_MIN))
    return chr(ord(CARRIED if now.unsupported_since_ns is None else UNCARRIED) + level)


_LETTERS: Final = {AirKind.LINER_SLIP: "s", AirKind.FALL_OFF: "f", AirKind.VACUUM_REMOVAL: "r"}


def _mark(event: AirEvent) -> list[Any]:
    """Return stall, onset and end [ms], litres and a letter of the kind."""
    start_ms, end_ms = event.start_ns // NS_PER_MS, event.end_ns // NS_PER_MS
    return [event.stall, start_ms, end_ms, round(event.air_l, 2), _LETTERS[event.kind]]


def _dip(event: PlantEvent) -> list[Any]:
    return [event.start_ns // NS_PER_MS, event.end_ns // NS_PER_MS, round(event.depth_kpa, 1)]
