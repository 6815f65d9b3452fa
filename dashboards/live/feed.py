"""From durable batches to the page: lanes, alerts, traces and figures, told in as few bytes as will do."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import asdict
from typing import Any, Final, Protocol

from dashboards.alerts.book import AlertBook
from dashboards.alerts.findings import Findings
from dashboards.alerts.kinds import Alert, AlertRules, Finding
from dashboards.live.hub import Hub, encode
from dashboards.live.lanes import SPAN_S, Lanes, Tick
from dashboards.live.waveforms import Waveforms, numbers
from detect.params import BIN_NS
from detect.results import Result
from detect.trail import AIR, ANGLE, CORD, FLOW, VACUUM, Cut, Trail
from detect.views import PlantNow, StallNow
from ingest.pipeline import Committed

TICK_S: Final = 0.45
"""Lanes are told at most this often [s]: twice a second is livelier than a lane can show."""
SILENCE_S: Final = 30.0
"""After so long without a batch [s] no alert stands any more (engineering choice)."""
TRACE_BINS: Final = 400
"""Traces told at once when somebody begins to look at a stall: 20 s."""


class Watched(Protocol):
    """What the feed asks of the detector beyond the stalls' view."""

    trail: Trail | None

    def plant_now(self) -> PlantNow:
        """Return the vacuum plant as of the last worked bin."""


class LiveFeed:
    """Observe the pipeline and tell the browsers; called by the thread that owns the detector.

    Parameters
    ----------
    stalls:
        Number of stalls.
    rules:
        When something becomes an alert.
    facts:
        What the page says about this service: parlor, detector, whether it is simulated.
    told:
        Told of the alerts that stand and of all findings after each batch.
    clock_s:
        Monotonic clock [s] that spaces the ticks.
    """

    def __init__(
        self,
        stalls: int,
        *,
        rules: AlertRules,
        facts: dict[str, Any],
        told: Callable[[tuple[Alert, ...], list[Finding]], None] = lambda _alerts, _found: None,
        clock_s: Callable[[], float] = time.monotonic,
    ) -> None:
        self.hub = Hub(self._snapshot)
        self.book = AlertBook(stalls, rules)
        self.waveforms = Waveforms()
        self._facts = facts | {"span": SPAN_S, "stalls": stalls}
        self._told = told
        self._findings = Findings(rules)
        self._lanes = Lanes(stalls)
        self._clock_s = clock_s
        self._spoke_s = -TICK_S
        self._heard_s: float | None = None
        self._kept: list[Tick] = []
        self._day: dict[str, Any] | None = None
        self._told_bin: dict[int, int] = {}
        self._lanes_lock = threading.Lock()

    @property
    def now_ns(self) -> int:
        """Return the parlor's present [ns since 1970-01-01 UTC]; 0 before the first reading."""
        return self._lanes.t_ms * 1_000_000

    def observe(self, committed: Committed, detector: Watched, stalls: list[StallNow]) -> None:
        """Take in one durable batch and what the detector makes of every stall."""
        plant = detector.plant_now()
        if plant.t_ns == 0:
            return
        self._heard_s = self._clock_s()
        found = self._findings.look(stalls, plant, committed.results)
        if self.book.update(plant.t_ns, found):
            self.tell_alerts()
        self._told(self.book.alerts, found)
        with self._lanes_lock:
            self._kept.append(self._lanes.add(stalls, plant, committed.results))
        if self._clock_s() - self._spoke_s >= TICK_S:
            self._spoke_s = self._clock_s()
            self._tell_lanes()
        if detector.trail is not None:
            self._trace(detector.trail, committed.results)

    def let_go(self) -> None:
        """Withdraw all alerts when nothing has come for long: an old one must not pass for live."""
        silent = self._heard_s is not None and self._clock_s() - self._heard_s > SILENCE_S
        if silent and self.book.drop():
            self.tell_alerts()
            self._told((), [])

    def tell_alerts(self) -> None:
        """Tell all browsers the alerts that stand."""
        self.hub.publish(encode("alerts", [_plain(alert) for alert in self.book.alerts]))

    def tell_day(self, figures: dict[str, Any]) -> None:
        """Tell all browsers the day's figures, when they have changed."""
        if figures != self._day:
            self._day = figures
            self.hub.publish(encode("day", figures))

    def _tell_lanes(self) -> None:
        ticks, self._kept = self._kept, []
        lanes = self._lanes
        value: dict[str, Any] = {"t": lanes.t_ms, "from": ticks[0].first_s, "open": lanes.open}
        value["columns"] = [column for tick in ticks for column in tick.columns]
        value["marks"] = [mark for tick in ticks for mark in tick.marks]
        value["dips"] = [dip for tick in ticks for dip in tick.dips]
        if lanes.dip is not None:
            value["dip"] = lanes.dip
        self.hub.publish(encode("tick", {k: v for k, v in value.items() if v or k in ("t", "from")}))

    def _trace(self, trail: Trail, results: tuple[Result, ...]) -> None:
        """Keep the waveforms of new events and tell the traces of the stalls that are looked at."""
        self.waveforms.keep(results, trail)
        arrived, watched = self.hub.arrived(), self.hub.watched
        known = watched - arrived  # who has just come is told the last seconds too
        self._told_bin = {stall: told for stall, told in self._told_bin.items() if stall in known}
        for stall in watched:
            oldest = trail.end_bin - TRACE_BINS
            cut = trail.cut(stall, max(self._told_bin.get(stall, oldest), oldest), trail.end_bin)
            if cut.traces.shape[1]:
                self._told_bin[stall] = trail.end_bin
                self.hub.publish(encode("trace", _traces(cut)), stall=stall)

    def _snapshot(self) -> bytes:
        """Return everything a browser needs to begin; ticks it is told after that only add to it."""
        with self._lanes_lock:
            lanes = self._lanes.snapshot()
        value = {
            "facts": self._facts,
            "lanes": lanes,
            "alerts": [_plain(alert) for alert in self.book.alerts],
            "day": self._day,
            "age_s": None if self._heard_s is None else round(self._clock_s() - self._heard_s, 1),
        }
        return encode("snapshot", value)


def _plain(alert: Alert) -> dict[str, Any]:
    """Return an alert as the page reads it."""
    value = asdict(alert)
    value["since"] = value.pop("since_ns") // 1_000_000
    return {key: entry for key, entry in value.items() if entry not in ("", None, 0.0)}


def _traces(cut: Cut) -> dict[str, Any]:
    planes = {"v": VACUUM, "a": AIR, "f": FLOW, "g": ANGLE, "c": CORD}
    first_ms = cut.first_bin * BIN_NS // 1_000_000
    return {"t": first_ms} | {name: numbers(cut, plane) for name, plane in planes.items()}
