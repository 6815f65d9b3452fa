"""The vacuum around the last events of each stall, kept as long as the service runs.

Kept as arrays: Python takes 32 bytes for a number in a list, an array 4.
"""

from __future__ import annotations

from collections import defaultdict, deque
from collections.abc import Iterable
from typing import Any, Final

import numpy as np

from detect.params import BIN_NS
from detect.results import AirEvent, Result
from detect.trail import VACUUM, Cut, Trail

KEPT: Final = 12
"""Waveforms kept of one stall (engineering choice)."""
AROUND_BINS: Final = 40
"""Shown before the onset and after the end, in bins: 2 s."""
LONGEST_BINS: Final = 800
DIGITS: Final = 1


class Waveforms:
    """Cut the trail around each air event when it is told."""

    def __init__(self) -> None:
        self._kept: dict[int, deque[tuple[str, Cut]]] = defaultdict(lambda: deque(maxlen=KEPT))

    def keep(self, results: Iterable[Result], trail: Trail) -> None:
        """Keep the waveform of each air event among the results."""
        for event in results:
            if isinstance(event, AirEvent):
                first = event.start_ns // BIN_NS - AROUND_BINS
                last = min(event.end_ns // BIN_NS + AROUND_BINS, first + LONGEST_BINS)
                cut = trail.cut(event.stall, first, last)
                vacuum = Cut(cut.first_bin, cut.traces[VACUUM : VACUUM + 1].copy())
                self._kept[event.stall].append((event.event_id, vacuum))

    def of(self, stall: int) -> dict[str, dict[str, Any]]:
        """Return the waveforms of a stall by event: first instant [ms] and vacuum [kPa] each 50 ms."""
        return {
            event_id: {"t": cut.first_bin * BIN_NS // 1_000_000, "v": numbers(cut, 0)}
            for event_id, cut in tuple(self._kept.get(stall, ()))
        }


def numbers(cut: Cut, plane: int) -> list[float | None]:
    """Return one signal as JSON can carry it, without needless digits."""
    values = np.round(cut.traces[plane].astype(float), DIGITS)
    return [None if np.isnan(value) else float(value) for value in values]
