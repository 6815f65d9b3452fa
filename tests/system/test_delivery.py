"""Between gateway and table nothing is lost or doubled, whatever breaks on the way."""

from __future__ import annotations

import json
import queue
import random
import socket
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from pydantic import SecretStr

from detect.errors import BrokerError
from ingest.config import BrokerConfig
from ingest.gateway import Gateway
from ingest.live import Ending
from ingest.messages import Messages
from ingest.pipeline import Pipeline
from ingest.publisher import Publisher
from ingest.replay import replay
from ingest.wire import Message, StreamKind, committed_topic, stall_topic
from store.history import History
from tests.ingest.parlor import DECODER, NAMES, STALLS, CountingDetector, flow, record, tables
from tests.system.brokers import RunningService
from tests.system.crashing import Farm
from tests.system.mosquitto import PATIENCE_S, SECRET, Mosquitto

pytestmark = pytest.mark.system


class Proxy:
    """A network between service and broker that can be cut."""

    def __init__(self, port: int) -> None:
        self._to = port
        self._pairs: list[socket.socket] = []
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._listener.getsockname()[1])
        self._threads = [threading.Thread(target=self._accept, daemon=True)]
        self._threads[0].start()

    def _accept(self) -> None:
        with suppress(OSError):
            while True:
                near, _ = self._listener.accept()
                far = socket.create_connection(("127.0.0.1", self._to))
                self._pairs += [near, far]
                for source, sink in ((near, far), (far, near)):
                    threading.Thread(target=_pump, args=(source, sink), daemon=True).start()

    def cut(self) -> None:
        """Break every connection there is; new ones work."""
        pairs, self._pairs = self._pairs, []
        for end in pairs:
            with suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)
            end.close()

    def close(self) -> None:
        """End the network."""
        with suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        self.cut()
        self._threads[0].join()


def _pump(source: socket.socket, sink: socket.socket) -> None:
    with suppress(OSError):
        while data := source.recv(65536):
            sink.sendall(data)


@contextmanager
def network(port: int) -> Iterator[Proxy]:
    proxy = Proxy(port)
    try:
        yield proxy
    finally:
        proxy.close()


def gateway(farm: Farm) -> Gateway:
    return Gateway(farm.gateway, **NAMES)


def expected(folder: Path, messages: list[Message]) -> dict[str, list[tuple[object, ...]]]:
    """Return the tables of the record sent once and in order."""
    path = folder / "expected.duckdb"
    with History.open(path) as history:
        replay(
            [Messages.of(messages)],
            Pipeline.open(history=history, detector=CountingDetector(), decoder=DECODER),
        )
    return tables(path)


def gaps(path: Path) -> list[tuple[str, int | None, int]]:
    with History.open(path, read_only=True) as history:
        reader = history.reader()
        return reader.execute("SELECT stream, stall, frames FROM data_gap ORDER BY ALL").fetchall()


def test_a_killed_broker_loses_nothing_of_a_gateway_that_follows(tmp_path: Path) -> None:
    """Three kills with confirmed messages not yet saved: the gateway goes back and nothing is missing."""
    messages = record(60)
    with Mosquitto(tmp_path) as broker:
        farm = Farm(tmp_path, broker, STALLS)
        with (
            RunningService(farm.config, farm.db, ending=Ending.CLOSE) as service,
            gateway(farm) as sender,
        ):
            service.ready()
            for number, message in enumerate(messages, start=1):
                sender.publish(message)
                if number % (len(messages) // 4) == 0 and number < len(messages):
                    broker.kill()
                    broker.start()
            assert sender.drain(settle_s=2.0 * PATIENCE_S) == 0
    assert sender.resent > 0
    assert tables(farm.db) == expected(tmp_path, messages)
    assert gaps(farm.db) == []


class Listener:
    """Somebody who hears the vacuum of stall 1, and goes and comes back without being remembered."""

    def __init__(self, farm: Farm) -> None:
        self.heard: queue.Queue[int] = queue.Queue()
        self._on = threading.Event()
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
        self._client.username_pw_set("quietclaw", SECRET)
        self._client.on_connect = lambda client, *_: client.subscribe(VACUUM, qos=1)
        self._client.on_subscribe = lambda *_: self._on.set()
        self._client.on_message = lambda _c, _d, message: self.heard.put(json.loads(message.payload)["seq"])
        self._client.connect("127.0.0.1", farm.broker.port)
        self._client.loop_start()

    def ready(self) -> None:
        """Wait until it listens."""
        assert self._on.wait(PATIENCE_S)

    def tell_stored(self, seq: int) -> None:
        """Tell the gateway that all is stored up to a number."""
        topic = committed_topic(**NAMES, stall=1)
        self._client.publish(topic, json.dumps({"vacuum": seq}), qos=1).wait_for_publish(PATIENCE_S)

    def leave(self) -> None:
        """Listen no more."""
        self._client.disconnect()
        self._client.loop_stop()


VACUUM = stall_topic(**NAMES, stall=1, kind=StreamKind.VACUUM)


def test_who_comes_back_in_the_middle_hears_the_oldest_frame_first(tmp_path: Path) -> None:
    """A service that the broker has forgotten must not meet newer frames before older ones.

    Two hundred frames as large as the broker takes are on offer; somebody begins to listen at any moment.
    """
    rng, pad = random.Random(7), "x" * 60_000
    with Mosquitto(tmp_path) as broker:
        farm = Farm(tmp_path, broker, STALLS)
        first = Listener(farm)
        first.ready()
        frames = [
            Message(0, VACUUM, json.dumps({"seq": seq, "t_ms": 1_930_000_000_000 + seq, "pad": pad}).encode())
            for seq in range(201)
        ]
        with gateway(farm) as sender:
            sender.publish(frames[0])
            assert first.heard.get(timeout=PATIENCE_S) == 0
            first.tell_stored(0)
            first.leave()
            offering = threading.Thread(target=_offer, args=(sender, frames[1:]))
            offering.start()
            for _ in range(12):
                offered = sender.resent
                while sender.resent < offered + 2:
                    threading.Event().wait(0.01)
                threading.Event().wait(rng.uniform(0.0, 0.3))
                listener = Listener(farm)
                heard = [listener.heard.get(timeout=PATIENCE_S) for _ in range(5)]
                listener.leave()
                assert heard == [1, 2, 3, 4, 5]
            last = Listener(farm)
            while last.heard.get(timeout=PATIENCE_S) < 200:
                pass
            last.tell_stored(200)
            offering.join()
            assert sender.kept == 0
            last.leave()


def _offer(sender: Gateway, frames: Sequence[Message]) -> None:
    for frame in frames:
        sender.publish(frame)
    sender.drain(settle_s=PATIENCE_S)


def test_what_a_killed_broker_loses_of_a_plain_sender_is_a_recorded_gap(tmp_path: Path) -> None:
    """Of a sender that trusts the broker's word frames are lost; every one of them is in the ledger."""
    messages = record(60)
    third = len(messages) // 3
    readings = 0
    with Mosquitto(tmp_path) as broker:
        farm = Farm(tmp_path, broker, STALLS)
        with RunningService(farm.config, farm.db) as service:
            service.ready()
            with Publisher(farm.gateway) as sender:
                for message in messages[:third]:
                    sender.publish(message)
            readings = sum(c.readings for c in service.until(third))
        with Publisher(farm.gateway) as sender:
            for message in messages[third : 2 * third]:
                sender.publish(message)
        broker.kill()
        broker.start()
        with RunningService(farm.config, farm.db) as service:
            service.ready()
            with Publisher(farm.gateway) as sender:
                for message in messages[2 * third :]:
                    sender.publish(message)
            while readings + sum(frames for _, _, frames in gaps_of(service)) < len(messages):
                readings += service.committed.get(timeout=PATIENCE_S).readings
    missing = sum(frames for _, _, frames in gaps(farm.db))
    assert missing > 0
    assert readings + missing == len(messages)


def gaps_of(service: RunningService) -> list[tuple[str, int | None, int]]:
    """Return the gaps of a service that still runs."""
    assert service.history is not None
    reader = service.history.reader()
    try:
        return reader.execute("SELECT stream, stall, frames FROM data_gap").fetchall()
    finally:
        reader.close()


def test_a_network_that_is_cut_again_and_again_loses_nothing(tmp_path: Path) -> None:
    """The connection between broker and service breaks ten times in the middle of a record."""
    messages = record(60)
    with Mosquitto(tmp_path) as broker, network(broker.port) as proxy:
        farm = Farm(tmp_path, broker, STALLS, port=proxy.port)
        with (
            RunningService(farm.config, farm.db, ending=Ending.CLOSE) as service,
            gateway(farm) as sender,
        ):
            service.ready()
            for number, message in enumerate(messages, start=1):
                sender.publish(message)
                if number % (len(messages) // 10) == 0:
                    proxy.cut()
            assert sender.drain(settle_s=2.0 * PATIENCE_S) == 0
    assert tables(farm.db) == expected(tmp_path, messages)
    assert gaps(farm.db) == []


def test_a_sender_that_doubles_and_shuffles_changes_nothing(tmp_path: Path) -> None:
    """Each frame up to three times, neighbours exchanged: the tables of the tidy record."""
    messages, rng = record(60), random.Random(8)
    untidy = [copy for message in messages for copy in [message] * rng.choice([1, 1, 2, 3])]
    for start in range(0, len(untidy), 12):
        window = untidy[start : start + 12]
        rng.shuffle(window)
        untidy[start : start + 12] = window
    with Mosquitto(tmp_path) as broker:
        farm = Farm(tmp_path, broker, STALLS)
        with (
            RunningService(farm.config, farm.db, ending=Ending.CLOSE) as service,
            Publisher(farm.gateway) as sender,
        ):
            service.ready()
            for message in [*first_of_each(messages), *untidy]:
                sender.publish(message)
            service.until(len(untidy) + len(first_of_each(messages)))
    assert gaps(farm.db) == []
    found, tidy = tables(farm.db), expected(tmp_path, messages)
    assert {row[:2] for row in found["condition_event"]} == {row[:2] for row in tidy["condition_event"]}
    assert len(found["condition_event"]) == len(tidy["condition_event"])


def first_of_each(messages: list[Message]) -> list[Message]:
    """Return the first frame of each stream, so that no later one is taken for the first."""
    seen: dict[str, Message] = {}
    for message in messages:
        seen.setdefault(message.topic, message)
    return list(seen.values())


def test_the_shipped_configuration_keeps_what_waits(tmp_path: Path) -> None:
    """3000 messages for a service that is away survive an orderly restart of the broker."""
    messages = [flow(1, seq) for seq in range(3000)]
    with Mosquitto(tmp_path) as broker:
        farm = Farm(tmp_path, broker, STALLS)
        with RunningService(farm.config, farm.db) as service:
            service.ready()
        with Publisher(farm.gateway) as sender:
            for message in messages:
                sender.publish(message)
        broker.stop()
        broker.start()
        with RunningService(farm.config, farm.db) as service:
            heard = service.until(len(messages))
    assert sum(committed.readings for committed in heard) == len(messages)
    assert gaps(farm.db) == []


def test_the_shipped_configuration_lets_nobody_in_unasked(tmp_path: Path) -> None:
    """No account, no entry; and a gateway may not tell what is stored."""
    with Mosquitto(tmp_path) as broker:
        farm = Farm(tmp_path, broker, STALLS)
        with pytest.raises(BrokerError, match="Not authorized"), Publisher(BrokerConfig(url=broker.url)):
            pass
        wrong = BrokerConfig(url=broker.url, user="gateway", password=SecretStr(SECRET + "s"))
        with pytest.raises(BrokerError, match="Not authorized"), Gateway(wrong, **NAMES):
            pass
        lie = Message(0, "milking/willowmere/committed/1", b'{"vacuum": 99, "boot": null}')
        with pytest.raises(BrokerError, match="refuses a message: Not authorized"), gateway(farm) as sender:
            sender.publish(lie)  # refused here, or when the rest is waited for at the end


def test_a_renewed_connection_brings_what_was_not_acknowledged(tmp_path: Path) -> None:
    """After a silence the service connects anew by itself, and goes on."""
    with Mosquitto(tmp_path) as broker:
        farm = Farm(tmp_path, broker, STALLS)
        config = farm.config.model_copy(
            update={"broker": farm.config.broker.model_copy(update={"silence_s": 1.0})}
        )
        with RunningService(config, farm.db) as service, Publisher(farm.gateway) as sender:
            service.ready()
            service.listening.clear()
            service.ready()
            sender.publish(flow(1, 0))
            service.until(1)
