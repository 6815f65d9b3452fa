"""Prometheus metrics of the running service.

Labels are bounded: stalls are those of the configuration, every other label is a closed vocabulary, and
every label set exists from the start (else a rate would miss the first event). Cows are never a label.
Names follow the Prometheus naming rules: base units, ``_total`` for counters.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Final

from prometheus_client import (
    CollectorRegistry,
    Counter,
    Gauge,
    Histogram,
    ProcessCollector,
    disable_created_metrics,
    generate_latest,
)

from dashboards.alerts.meters import AlertMeters
from dashboards.matching import NS_PER_S
from detect.kinds import AirKind, Condition
from detect.results import AirEvent, ConditionEvent, Milking, PlantEvent, Result, SupportEvent
from detect.views import StallNow
from ingest.pipeline import Committed
from ingest.sequencer import Surplus

PASCALS_PER_KPA: Final = 1000.0
GRAMS_PER_SECOND_PER_KG_MIN: Final = 1000.0 / 60.0
COMMIT_BUCKETS_S: Final = (0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 5.0)
DELAY_BUCKETS_S: Final = (0.1, 0.25, 0.5, 1.0, 2.0, 5.0, 10.0, 30.0)
READ: Final = "read"
QUARANTINED: Final = "quarantined"
OUTCOMES: Final = (READ, QUARANTINED, *(why.value for why in Surplus))
"""What can become of a message."""
AIR_BUCKETS_L: Final = (0.05, 0.1, 0.2, 0.4, 0.8, 1.6, 3.2, 6.4, 12.8, 25.6)


class ServiceMetrics:
    """The meters of one service, all in the registry that is passed in.

    Parameters
    ----------
    registry:
        Where the meters live; never the library's global one.
    stalls:
        Number of stalls; a result of another stall is counted nowhere.
    detector:
        Version and parameter digest of the running detector.
    """

    def __init__(self, registry: CollectorRegistry, *, stalls: int, detector: str) -> None:
        disable_created_metrics()  # type: ignore[no-untyped-call]
        self._registry = registry
        self._stalls = [str(stall) for stall in range(1, stalls + 1)]
        ProcessCollector(registry=registry)
        self._make_counters()
        self._make_gauges()
        self._make_histograms()
        self.alerts = AlertMeters(registry, stalls=stalls)
        self._detector.labels(detector=detector).set(1)

    def render(self) -> bytes:
        """Return the text exposition of this moment."""
        return generate_latest(self._registry)

    def add_results(self, results: Iterable[Result]) -> None:
        """Count what the detector said and the store has committed."""
        for result in results:
            self._add(result)

    def observe(self, committed: Committed) -> None:
        """Count what one durable batch came to."""
        self.add_results(committed.results)
        self._messages.labels(outcome=READ).inc(committed.readings)
        self._messages.labels(outcome=QUARANTINED).inc(len(committed.quarantined))
        for why, count in committed.surplus.items():
            self._messages.labels(outcome=why.value).inc(count)
        self._gaps.inc(len(committed.gaps))
        self._missing.inc(sum(gap.frames for gap in committed.gaps))
        self._extra_fields.inc(committed.extra_fields)
        self._held.set(committed.held)
        if committed.messages:
            self._last_message.set(committed.newest_recv_ns / NS_PER_S)

    def add_commit(self, seconds: float) -> None:
        """Record how long one store transaction took [s]."""
        self._commit.observe(seconds)

    def show(self, stalls: Sequence[StallNow]) -> None:
        """Show each stall as it is now; an unknown figure is NaN."""
        for now in stalls:
            label = str(now.stall)
            self._vacuum.labels(stall=label).set(_scaled(now.vacuum_kpa, PASCALS_PER_KPA))
            self._flow.labels(stall=label).set(_scaled(now.flow_kg_min, GRAMS_PER_SECOND_PER_KG_MIN))
            self._attached.labels(stall=label).set(now.attached)
            self._unsupported.labels(stall=label).set(now.unsupported_since_ns is not None)
            self._last_reading.labels(stall=label).set(now.t_ns / NS_PER_S)

    def _add(self, result: Result) -> None:
        match result:
            case AirEvent(stall=stall, kind=kind) if str(stall) in self._stalls:
                self._air_events.labels(stall=str(stall), kind=kind.value).inc()
                self._air_litres.labels(stall=str(stall)).inc(max(0.0, result.air_l))
                self._air_size.observe(result.air_l)
                self._delay.observe((result.detected_ns - result.start_ns) / NS_PER_S)
            case Milking(stall=stall) if str(stall) in self._stalls:
                self._milkings.labels(stall=str(stall)).inc()
            case SupportEvent(stall=stall) if str(stall) in self._stalls:
                lasted_s = (result.end_ns - result.start_ns) / NS_PER_S
                self._unsupported_time.labels(stall=str(stall)).inc(max(0.0, lasted_s))
            case PlantEvent():
                self._plant_dips.inc()
            case ConditionEvent(condition=condition) if result.is_first_report:
                self._conditions.labels(condition=condition.value).inc()

    def _make_counters(self) -> None:
        self._air_events = self._counter("air_events", "Air admissions by kind", "stall", "kind")
        self._air_litres = self._counter(
            "air_admitted_liters", "Free air admitted by slips and falls, estimate", "stall"
        )
        self._milkings = self._counter("milkings", "Milkings finished", "stall")
        self._unsupported_time = self._counter(
            "unsupported_seconds", "Time in which the unit's weight was not carried", "stall"
        )
        self._plant_dips = self._counter("plant_dips", "Dips of the whole vacuum plant")
        self._conditions = self._counter("condition_events", "Faults for a technician", "condition")
        self._messages = self._counter("messages", "Messages by what became of them", "outcome")
        self._gaps = self._counter("gaps", "Gaps in the sequence of a topic")
        self._missing = self._counter("missing_messages", "Messages that never came, by sequence number")
        self._extra_fields = self._counter("unknown_fields", "Fields of messages this program does not know")
        for stall in self._stalls:
            for kind in AirKind:
                self._air_events.labels(stall=stall, kind=kind.value)
            for counter in (self._air_litres, self._milkings, self._unsupported_time):
                counter.labels(stall=stall)
        for condition in Condition:
            self._conditions.labels(condition=condition.value)
        for outcome in OUTCOMES:
            self._messages.labels(outcome=outcome)

    def _make_gauges(self) -> None:
        self._vacuum = self._gauge("claw_vacuum_pascals", "Claw vacuum below atmosphere", "stall")
        self._flow = self._gauge("milk_flow_grams_per_second", "Milk flow of the unit", "stall")
        self._attached = self._gauge("unit_attached", "1 while the unit is on a cow", "stall")
        self._unsupported = self._gauge("unit_unsupported", "1 while the weight is not carried", "stall")
        self._last_reading = self._gauge(
            "last_reading_timestamp_seconds", "Device time of the stall's newest reading", "stall"
        )
        self._last_message = self._gauge(
            "last_message_timestamp_seconds", "Time at which the newest committed message was received"
        )
        self._held = self._gauge("held_messages", "Messages that wait for an earlier one")
        self._detector = self._gauge("detector_info", "Version and parameters of the detector", "detector")
        for stall in self._stalls:
            for gauge in (self._vacuum, self._flow):
                gauge.labels(stall=stall).set(math.nan)
            for gauge in (self._attached, self._unsupported, self._last_reading):
                gauge.labels(stall=stall)

    def _make_histograms(self) -> None:
        self._commit = self._histogram("commit_seconds", "Duration of a store transaction", COMMIT_BUCKETS_S)
        self._delay = self._histogram(
            "detection_delay_seconds", "Signal time from onset to first report", DELAY_BUCKETS_S
        )
        self._air_size = self._histogram("air_event_liters", "Free air of one event, estimate", AIR_BUCKETS_L)

    def _counter(self, name: str, text: str, *labels: str) -> Counter:
        return Counter(f"quietclaw_{name}", f"{text}.", labels, registry=self._registry)

    def _gauge(self, name: str, text: str, *labels: str) -> Gauge:
        return Gauge(f"quietclaw_{name}", f"{text}.", labels, registry=self._registry)

    def _histogram(self, name: str, text: str, buckets: Sequence[float]) -> Histogram:
        return Histogram(f"quietclaw_{name}", f"{text}.", buckets=buckets, registry=self._registry)


def _scaled(value: float | None, factor: float) -> float:
    return math.nan if value is None else value * factor
