"""The service over a real broker stores everything once and acknowledges only what is stored."""

from __future__ import annotations

import json
import queue
import threading
from pathlib import Path

import pytest

from detect.errors import BrokerError, StoreError
from ingest.capture import read_capture
from ingest.client import BrokerClient, Delivery, Incoming
from ingest.config import BrokerConfig
from ingest.live import Ending, LiveService, Parts
from ingest.messages import Messages
from ingest.pipeline import Pipeline
from ingest.publisher import Publisher
from ingest.replay import replay
from ingest.wire import Message
from store.history import Batch, History
from tests.ingest.parlor import DECODER, PARLOR, ROOT, CountingDetector, flow, record, tables
from tests.system.brokers import (
    BROKERS,
    MOSQUITTO,
    PATIENCE_S,
    RunningService,
    broker,
    configuration,
    mosquitto,
    subscriber,
)

pytestmark = pytest.mark.system


def send(url: str, messages: list[Message]) -> None:
    """Publish messages and wait for the broker's confirmations."""
    with Publisher(BrokerConfig(url=url)) as publisher:
        for message in messages:
            publisher.publish(message)


def replayed(path: Path, messages: list[Message]) -> None:
    """Replay messages into a history."""
    with History.open(path) as history:
        replay(
            [Messages.of(messages)],
            Pipeline.open(history=history, detector=CountingDetector(), decoder=DECODER),
        )


def deliveries(incoming: queue.SimpleQueue[Incoming], number: int) -> list[Delivery]:
    """Wait for so many deliveries."""
    got: list[Delivery] = []
    while len(got) < number:
        item = incoming.get(timeout=PATIENCE_S)
        if isinstance(item, Delivery):
            got.append(item)
    return got


@pytest.mark.parametrize("kind", BROKERS)
def test_live_and_replay_of_its_capture_agree(tmp_path: Path, kind: str) -> None:
    """The capture of a live run, replayed, gives identical tables; more than one broker window is sent."""
    messages = record(30)
    with broker(kind, tmp_path) as url:
        config = configuration(url, capture={"path": tmp_path / "day.parquet"})
        with RunningService(config, tmp_path / "live.duckdb", ending=Ending.CLOSE) as service:
            service.ready()
            send(url, messages)
            service.until(len(messages))
    captured = list(read_capture(tmp_path / "day.parquet"))
    replayed(tmp_path / "replay.duckdb", captured)
    assert [(m.topic, m.payload) for m in captured] == [(m.topic, m.payload) for m in messages]
    assert tables(tmp_path / "live.duckdb") == tables(tmp_path / "replay.duckdb")
    assert len(tables(tmp_path / "live.duckdb")["condition_event"]) > 25


@pytest.mark.parametrize("kind", BROKERS)
def test_a_service_that_starts_again_goes_on_where_it_ended(tmp_path: Path, kind: str) -> None:
    """What is sent while the service is away waits at the broker; nothing is lost or read twice."""
    messages = record(20)
    half = len(messages) // 2
    with broker(kind, tmp_path) as url:
        config = configuration(url)
        with RunningService(config, tmp_path / "live.duckdb") as service:
            service.ready()
            send(url, messages[:half])
            service.until(half)
        send(url, messages[half:])
        with RunningService(config, tmp_path / "live.duckdb", ending=Ending.CLOSE) as service:
            service.until(len(messages) - half)
    replayed(tmp_path / "whole.duckdb", messages)
    assert tables(tmp_path / "live.duckdb") == tables(tmp_path / "whole.duckdb")


@pytest.mark.parametrize("kind", BROKERS)
def test_what_is_not_acknowledged_is_sent_again(tmp_path: Path, kind: str) -> None:
    """The broker keeps a message until it is acknowledged, and no longer."""
    messages = [flow(1, seq) for seq in range(30)]
    with broker(kind, tmp_path) as url:
        config = configuration(url)
        first: queue.SimpleQueue[Incoming] = queue.SimpleQueue()
        with BrokerClient(config, first) as client:
            send(url, messages)
            client.acknowledge(deliveries(first, len(messages))[:10])
        again: queue.SimpleQueue[Incoming] = queue.SimpleQueue()
        with BrokerClient(config, again) as client:
            rest = deliveries(again, 20)
            client.acknowledge(rest)
            send(url, [flow(2, 0)])
            client.acknowledge(deliveries(again, 1))
        last: queue.SimpleQueue[Incoming] = queue.SimpleQueue()
        with BrokerClient(config, last):
            send(url, [flow(3, 0)])
            [next_one] = deliveries(last, 1)
    assert [delivery.message.payload for delivery in rest] == [m.payload for m in messages[10:]]
    assert next_one.message.topic == flow(3, 0).topic


class FailingHistory(History):
    """A history whose disk is full at the second commit."""

    commits = 0

    def commit(self, batch: Batch) -> None:
        """Store a batch, or fail."""
        self.commits += 1
        if self.commits == 2:
            raise StoreError("no space left on device")
        super().commit(batch)


@pytest.mark.parametrize("kind", BROKERS)
def test_a_failed_commit_loses_nothing(tmp_path: Path, kind: str) -> None:
    """Nothing of a failed batch is acknowledged: the service begins again, and the broker sends it again."""
    messages, path = record(20), tmp_path / "live.duckdb"
    openers = iter([FailingHistory.open, History.open])

    def opener() -> History:
        return next(openers)(path)

    with (
        broker(kind, tmp_path) as url,
        RunningService(configuration(url), path, opener=opener, ending=Ending.CLOSE) as service,
    ):
        service.ready()
        send(url, messages)
        service.until(len(messages))
    replayed(tmp_path / "whole.duckdb", messages)
    assert next(openers, None) is None
    assert tables(path) == tables(tmp_path / "whole.duckdb")


class FullDisk(History):
    """A history that can store nothing."""

    def commit(self, batch: Batch) -> None:
        """Fail."""
        raise StoreError(f"no space left for {len(batch.watermarks)} places")


def test_a_store_that_fails_again_and_again_ends_the_service(tmp_path: Path) -> None:
    """After the last attempt the error comes out, for the supervisor to see."""
    path = tmp_path / "live.duckdb"
    with broker("embedded", tmp_path) as url:
        service = RunningService(configuration(url), path, opener=lambda: FullDisk.open(path))
        service.start()
        service.ready()
        send(url, [flow(1, 0)])
        with pytest.raises(StoreError, match="no space left for 1 places"):
            service.end()


@pytest.mark.parametrize("kind", BROKERS)
def test_bad_messages_do_not_stop_the_stream(tmp_path: Path, kind: str) -> None:
    """A 10 MB message, an unknown topic and a broken payload are quarantined and acknowledged."""
    bad = [
        Message(0, f"{ROOT}/{PARLOR}/stall/1/flow", bytes(10_000_000)),
        Message(0, f"{ROOT}/{PARLOR}/barn", b"{}"),
        Message(0, f"{ROOT}/{PARLOR}/stall/1/flow", b"{no json"),
    ]
    with (
        broker(kind, tmp_path) as url,
        RunningService(configuration(url), tmp_path / "live.duckdb") as service,
    ):
        service.ready()
        send(url, [flow(1, 0), *bad, flow(1, 1)])
        heard = service.until(5)
    assert sum(committed.readings for committed in heard) == 2
    reasons = [str(row[3]).split(":")[0] for row in tables(tmp_path / "live.duckdb")["quarantine"]]
    assert sorted(reasons) == ["flow payload", "payload too large", "unknown topic"]


@pytest.mark.parametrize("kind", BROKERS)
def test_gateways_are_told_what_is_stored(tmp_path: Path, kind: str) -> None:
    """The retained receipt of a stall names the last stored number of each kind, also after a restart."""
    topic = f"{ROOT}/{PARLOR}/committed/1"
    with broker(kind, tmp_path) as url:
        config = configuration(url)
        with RunningService(config, tmp_path / "live.duckdb") as service:
            service.ready()
            send(url, record(5))
            service.until(len(record(5)))
        with subscriber(url, topic) as heard:
            _, payload, retained = heard.get(timeout=PATIENCE_S)
        assert retained
        assert json.loads(payload) == {"cow": 0, "flow": 4, "vacuum": 9, "boot": None}
        with subscriber(url, topic) as heard, RunningService(config, tmp_path / "live.duckdb"):
            heard.get(timeout=PATIENCE_S)
            _, payload, _ = heard.get(timeout=PATIENCE_S)
        assert json.loads(payload)["vacuum"] == 9


def test_a_broker_that_is_not_there_is_one_line(tmp_path: Path) -> None:
    """No broker at the address: exit code 4 and the address."""
    config = configuration("mqtt://127.0.0.1:1")
    service = LiveService(
        config, Parts(lambda: History.open(tmp_path / "a.duckdb"), new_detector=CountingDetector)
    )
    with pytest.raises(BrokerError, match=r"mqtt://127\.0\.0\.1:1: cannot be reached") as raised:
        service.run(threading.Event())
    assert raised.value.exit_code == 4


def test_a_wrong_password_is_refused_in_one_line(tmp_path: Path) -> None:
    """The broker's refusal comes out as a broker error."""
    assert MOSQUITTO, "the embedded broker has no accounts: install mosquitto"
    with mosquitto(tmp_path, "allow_anonymous false\n") as url:
        with pytest.raises(BrokerError, match="refuses us: Not authorized"):
            BrokerClient(configuration(url), queue.SimpleQueue()).connect()
        with pytest.raises(BrokerError, match="refuses us: Not authorized"), Publisher(BrokerConfig(url=url)):
            pass
