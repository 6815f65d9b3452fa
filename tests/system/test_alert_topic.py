"""A lamp hears of alerts through a real broker: retained while they stand, empty when they are over."""

from __future__ import annotations

from pathlib import Path

import pytest

from ingest.announce import CLEARED, Announcements
from ingest.publisher import Publisher
from ingest.wire import alert_topic
from tests.ingest.parlor import NAMES, STALLS, flow
from tests.system.brokers import BROKERS, PATIENCE_S, RunningService, broker, configuration, subscriber

pytestmark = pytest.mark.system


@pytest.mark.parametrize("kind", BROKERS)
def test_a_lamp_hears_what_stands_and_when_it_is_over(kind: str, tmp_path: Path) -> None:
    """What an earlier run left is emptied at once; an alert stands for who comes late; the end empties it."""
    standing = Announcements(**NAMES, stalls=STALLS)
    left_over, own = (alert_topic(**NAMES, stall=stall) for stall in (1, 3))
    with broker(kind, tmp_path) as url:
        config = configuration(url)
        service = RunningService(config, tmp_path / "h.duckdb", announcements=standing)
        with subscriber(url, alert_topic(**NAMES, stall=1)) as lamp, service:
            service.ready()
            assert lamp.get(timeout=PATIENCE_S)[:2] == (left_over, CLEARED)
            standing.stand({3: b"unit off"})
            with Publisher(config.broker) as publisher:
                publisher.publish(flow(1, 0))
            service.until(1)
            with subscriber(url, own) as late:
                assert late.get(timeout=PATIENCE_S)[:2] == (own, b"unit off")
                service.stop.set()
                service.end()
                assert late.get(timeout=PATIENCE_S)[:2] == (own, CLEARED)
