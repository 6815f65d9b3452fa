"""The exposition keeps the rules of Prometheus and shows what the store has."""

from __future__ import annotations

import math
import re

import pytest
from prometheus_client import CollectorRegistry
from prometheus_client.parser import text_string_to_metric_families

from dashboards.exposition import example
from dashboards.metrics import ServiceMetrics
from detect.kinds import AirKind, Cause, Condition, Phase
from detect.results import AirEvent, ConditionEvent, PlantEvent, SupportEvent
from detect.views import StallNow
from ingest.pipeline import Committed
from ingest.sequencer import Gap, Surplus
from ingest.wire import Address, StreamKind
from store.batch import Quarantined

S = 1_000_000_000
BASE_UNITS = ("seconds", "pascals", "grams_per_second", "liters", "bytes")


def service(stalls: int = 3) -> tuple[CollectorRegistry, ServiceMetrics]:
    registry = CollectorRegistry()
    return registry, ServiceMetrics(registry, stalls=stalls, detector="1+a")


def slip(stall: int, *, kind: AirKind = AirKind.LINER_SLIP) -> AirEvent:
    return AirEvent(
        event_id="e",
        parlor="p",
        stall=stall,
        milking_id=None,
        kind=kind,
        start_ns=10 * S,
        end_ns=12 * S,
        detected_ns=11 * S,
        depth_kpa=4.0,
        max_fall_kpa_250ms=3.0,
        air_l=0.3,
        peak_air_l_min=30.0,
        pulses=1,
        flow_kg_min=2.0,
        phase=Phase.PEAK,
        impact_kpa=1.0,
        cause=Cause.UNKNOWN,
        cause_share=0.5,
        confidence=0.9,
        detector="1+a",
    )


def test_every_label_set_exists_before_the_first_event() -> None:
    """A rate over a counter that first appears at 1 misses that event, so all start at 0."""
    registry, _ = service(stalls=5)
    for stall in range(1, 6):
        for kind in AirKind:
            labels = {"stall": str(stall), "kind": kind.value}
            assert registry.get_sample_value("quietclaw_air_events_total", labels) == 0.0


def test_results_are_counted_where_they_belong() -> None:
    """Slips by stall and kind, unsupported time in seconds, dips and conditions."""
    registry, metrics = service()
    metrics.add_results(
        [
            slip(1),
            slip(1),
            slip(2, kind=AirKind.FALL_OFF),
            SupportEvent("p", 3, None, 0, 90 * S, 30 * S, "slack", 0.2),  # type: ignore[arg-type]
            PlantEvent("p", 0, S, 3.0, 2),
            ConditionEvent("p", 2, 0, 3 * S, 3 * S, Condition.DATA_GAP, "gap of 3 s"),
            ConditionEvent("p", 2, 0, None, S, Condition.STEADY_LEAK, "12 L/min"),
            ConditionEvent("p", 2, 0, 9 * S, S, Condition.STEADY_LEAK, "12 L/min"),  # told again with its end
        ]
    )
    value = registry.get_sample_value
    assert value("quietclaw_air_events_total", {"stall": "1", "kind": "liner_slip"}) == 2.0
    assert value("quietclaw_air_events_total", {"stall": "2", "kind": "fall_off"}) == 1.0
    assert value("quietclaw_air_admitted_liters_total", {"stall": "1"}) == pytest.approx(0.6)
    assert value("quietclaw_unsupported_seconds_total", {"stall": "3"}) == 90.0
    assert value("quietclaw_plant_dips_total") == 1.0
    assert value("quietclaw_condition_events_total", {"condition": "data_gap"}) == 1.0
    assert value("quietclaw_condition_events_total", {"condition": "steady_leak"}) == 1.0
    assert value("quietclaw_detection_delay_seconds_sum") == 3.0


def test_a_stall_outside_the_configuration_adds_no_label() -> None:
    """Labels stay bounded whatever arrives."""
    registry, metrics = service(stalls=2)
    before = len(list(registry.collect()))
    metrics.add_results([slip(99)])
    assert (
        registry.get_sample_value("quietclaw_air_events_total", {"stall": "99", "kind": "liner_slip"}) is None
    )
    assert len(list(registry.collect())) == before


def test_gauges_are_in_base_units_and_unknown_is_nan() -> None:
    """42 kPa is 42 000 Pa, 3 kg/min is 50 g/s, an unknown vacuum is NaN and no zero."""
    registry, metrics = service()
    metrics.show(
        [
            StallNow(1, 5 * S, 42.0, 3.0, True, "m", "cow 7", None),
            StallNow(2, 6 * S, None, None, False, None, None, 4 * S),
        ]
    )
    value = registry.get_sample_value
    assert value("quietclaw_claw_vacuum_pascals", {"stall": "1"}) == 42_000.0
    assert value("quietclaw_milk_flow_grams_per_second", {"stall": "1"}) == pytest.approx(50.0)
    assert math.isnan(value("quietclaw_claw_vacuum_pascals", {"stall": "2"}) or 0.0)
    assert value("quietclaw_unit_unsupported", {"stall": "2"}) == 1.0
    assert value("quietclaw_last_reading_timestamp_seconds", {"stall": "2"}) == 6.0
    assert b"cow 7" not in metrics.render()


def test_a_batch_is_counted_by_outcome() -> None:
    """Every message ends in exactly one outcome; gaps, held ones and the newest time are shown."""
    registry, metrics = service()
    gap = Gap("t", Address(1, StreamKind.FLOW), first_seq=4, last_seq=6, after_ns=S, before_ns=5 * S)
    metrics.observe(
        Committed(
            messages=12,
            readings=7,
            extra_fields=2,
            surplus={Surplus.DUPLICATE: 3, Surplus.STALE: 1},
            gaps=(gap,),
            results=(slip(1),),
            quarantined=(Quarantined(S, "t", b"{", "broken"),),
            moved={},
            held=5,
            newest_recv_ns=8 * S,
        )
    )
    metrics.add_commit(0.02)
    value = registry.get_sample_value
    assert {
        outcome: value("quietclaw_messages_total", {"outcome": outcome})
        for outcome in ("read", "duplicate", "stale", "quarantined")
    } == {"read": 7.0, "duplicate": 3.0, "stale": 1.0, "quarantined": 1.0}
    assert value("quietclaw_gaps_total") == 1.0
    assert value("quietclaw_missing_messages_total") == 3.0
    assert value("quietclaw_unknown_fields_total") == 2.0
    assert value("quietclaw_held_messages") == 5.0
    assert value("quietclaw_commit_seconds_count") == 1.0
    assert value("quietclaw_last_message_timestamp_seconds") == 8.0
    assert value("quietclaw_air_events_total", {"stall": "1", "kind": "liner_slip"}) == 1.0


@pytest.mark.source('Prometheus documentation, "Metric and label naming": base units, _total for counters')
def test_names_follow_the_naming_rules() -> None:
    """Each metric has help text, a lower-case name with our prefix, no created-series, and a base unit."""
    families = list(text_string_to_metric_families(example().decode()))
    assert len(families) > 15
    for family in families:
        assert family.documentation, family.name
        assert re.fullmatch(r"(quietclaw|process)_[a-z_]+", family.name), family.name
        assert not any(sample.name.endswith("_created") for sample in family.samples), family.name
        if family.type == "counter" and family.name.startswith("quietclaw"):
            assert all(sample.name.endswith("_total") for sample in family.samples)
        if family.type == "histogram":
            assert family.name.endswith(BASE_UNITS), family.name
