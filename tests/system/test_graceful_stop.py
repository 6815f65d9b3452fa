"""A service that is asked to end stores what it has taken, and tells the broker so."""

from __future__ import annotations

import json
import queue
from collections import defaultdict
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from dashboards.demo import reserve
from ingest.publisher import Publisher
from store.history import History
from tests.ingest.parlor import record
from tests.system.brokers import BROKERS, RunningService, broker, configuration
from tests.system.crashing import Farm, Service
from tests.system.flow import STALLS, Flow, Frames, Receipts
from tests.system.mosquitto import SECRET, Mosquitto

pytestmark = pytest.mark.system


def waiting(farm: Farm) -> dict[str, list[int]]:
    """Take what the broker still keeps for the service, as numbers by topic, in the service's own name."""
    heard: queue.SimpleQueue[tuple[str, bytes]] = queue.SimpleQueue()
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=farm.config.client_id, protocol=mqtt.MQTTv5)
    client.username_pw_set("quietclaw", SECRET)
    client.on_message = lambda _client, _data, message: heard.put((message.topic, bytes(message.payload)))
    session: Any = Properties(PacketTypes.CONNECT)
    session.SessionExpiryInterval = 3600
    client.connect("127.0.0.1", farm.broker.port, clean_start=False, properties=session)
    client.loop_start()
    numbers = defaultdict(list)
    try:
        while True:
            topic, payload = heard.get(timeout=2.0)
            if topic.endswith("/vacuum"):
                numbers[topic].append(int(json.loads(payload)["seq"]))
    except queue.Empty:
        return numbers
    finally:
        client.disconnect()
        client.loop_stop()


def test_what_is_taken_is_stored_and_acknowledged(tmp_path: Path) -> None:
    """Ended in the middle of 960 frames/s: the broker keeps exactly what follows the last stored frames."""
    with Mosquitto(tmp_path) as broker:
        farm, frames = Farm(tmp_path, broker, STALLS), Frames()
        reserve(farm.config)
        receipts = Receipts(farm, frames)
        service = Service(farm)
        service.ready()
        with Flow(farm, frames) as flow:
            receipts.wait_for_news()
            flow.last(1.0)
            assert service.stop() == 0
            flow.last(0.5)
        receipts.close()
        left = waiting(farm)
    with History.open(farm.db, read_only=True) as history:
        places = {topic: mark.seq for topic, mark in history.watermarks("willowmere").items()}
    assert len(places) == STALLS
    assert min(places.values()) > 0
    assert {topic: numbers[0] for topic, numbers in left.items()} == {
        topic: seq + 1 for topic, seq in places.items()
    }
    assert sum(len(numbers) for numbers in left.values()) + sum(places.values()) + STALLS == frames.number


@pytest.mark.parametrize("kind", BROKERS)
def test_after_many_full_batches_the_last_messages_wait_for_a_window(kind: str, tmp_path: Path) -> None:
    """A backlog is taken in full batches; what comes after it must not wait for yet another full one."""
    messages = record(60)
    full = 10
    assert len(messages) > 50 * full, "no backlog"
    assert len(messages) % full, "no rest"
    with broker(kind, tmp_path) as url:
        config = configuration(url, batch={"window_s": 1.0, "messages": full})
        with RunningService(config, tmp_path / "a.duckdb") as service:
            service.ready()
            with Publisher(config.broker) as sender:
                for message in messages:
                    sender.publish(message)
            service.until(len(messages))


def test_a_service_whose_broker_went_first_still_ends(tmp_path: Path) -> None:
    """Told to stop while it tries to connect again, it ends in time, and keeps what was stored."""
    messages = record(20)
    path = tmp_path / "a.duckdb"
    with broker(BROKERS[-1], tmp_path) as url:
        service = RunningService(configuration(url), path)
        service.start()
        service.ready()
        with Publisher(configuration(url).broker) as sender:
            for message in messages:
                sender.publish(message)
        service.until(len(messages))
    service.stop.set()
    service.end()
    with History.open(path, read_only=True) as history:
        assert history.watermarks("willowmere")
