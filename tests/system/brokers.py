"""Real brokers for the tests: the embedded one always, mosquitto where it is installed."""

from __future__ import annotations

import queue
import shutil
import socket
import subprocess
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from ingest.announce import Announcements
from ingest.broker import IN_FLIGHT, EmbeddedBroker
from ingest.config import Config
from ingest.live import Ending, LiveService, Parts
from ingest.pipeline import Committed
from store.history import History
from tests.ingest.parlor import PARLOR, STALLS, CountingDetector

MOSQUITTO = shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin:/usr/bin:/usr/local/bin")
BROKERS = ["embedded", "mosquitto"] if MOSQUITTO else ["embedded"]
PATIENCE_S = 20.0


@contextmanager
def broker(kind: str, folder: Path) -> Iterator[str]:
    """Run a broker and give its address."""
    if kind == "embedded":
        with EmbeddedBroker() as embedded:
            yield embedded.url
    else:
        with mosquitto(folder, "allow_anonymous true\nmax_queued_messages 0\n") as url:
            yield url


@contextmanager
def mosquitto(folder: Path, settings: str) -> Iterator[str]:
    """Run mosquitto on a free loopback port until the context ends."""
    assert MOSQUITTO is not None
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    (folder / "mosquitto.conf").write_text(f"listener {port} 127.0.0.1\nlog_dest stderr\n{settings}")
    command = [MOSQUITTO, "-c", str(folder / "mosquitto.conf")]
    with subprocess.Popen(command, stderr=subprocess.PIPE, text=True) as process:  # noqa: S603 - our own words
        assert process.stderr is not None
        assert any(" running" in line for line in process.stderr), "mosquitto did not start"
        rest = threading.Thread(target=process.stderr.read)
        rest.start()
        try:
            yield f"mqtt://127.0.0.1:{port}"
        finally:
            process.terminate()
            rest.join(PATIENCE_S)


def configuration(url: str, **more: dict[str, object]) -> Config:
    """Return settings for a broker; the embedded one has a fixed number in flight."""
    sections: dict[str, dict[str, object]] = {
        "broker": {"url": url, "receive_maximum": IN_FLIGHT},
        "parlor": {"name": PARLOR, "stalls": STALLS},
        "batch": {"window_s": 0.05},
    }
    for name, values in more.items():
        sections[name] = sections.get(name, {}) | values
    return Config.model_validate(sections)


class RunningService:
    """A live service in a thread of its own, with everything it commits in a queue."""

    def __init__(
        self,
        config: Config,
        path: Path,
        *,
        opener: Callable[[], History] | None = None,
        ending: Ending = Ending.KEEP_OPEN,
        announcements: Announcements | None = None,
    ) -> None:
        self.committed: queue.SimpleQueue[Committed] = queue.SimpleQueue()
        self.stop = threading.Event()
        self.listening = threading.Event()
        self._ending = ending
        self.error: Exception | None = None
        self.history: History | None = None

        def open_history() -> History:
            self.history = opener() if opener else History.open(path)
            return self.history

        self._service = LiveService(
            config,
            Parts(
                open_history=open_history,
                new_detector=CountingDetector,
                observers=[self.committed.put],
                on_connected=self.listening.set,
                retry_s=(0.0, 0.0),
                announcements=announcements,
            ),
        )
        self._thread = threading.Thread(target=self._run)

    def _run(self) -> None:
        try:
            self._service.run(self.stop, ending=self._ending)
        except Exception as error:
            self.error = error

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop.set()
        self.end()

    def start(self) -> None:
        """Let the service run."""
        self._thread.start()

    def end(self) -> None:
        """Wait until the service has ended, and raise what ended it."""
        self._thread.join(PATIENCE_S)
        assert not self._thread.is_alive()
        if self.error is not None:
            raise self.error

    def ready(self) -> None:
        """Wait until the broker has our subscription."""
        assert self.listening.wait(PATIENCE_S), self.error

    def until(self, messages: int) -> list[Committed]:
        """Wait until so many messages are committed."""
        heard: list[Committed] = []
        while sum(committed.messages for committed in heard) < messages:
            heard.append(self.committed.get(timeout=PATIENCE_S))
        return heard


@contextmanager
def subscriber(url: str, topic: str) -> Iterator[queue.SimpleQueue[tuple[str, bytes, bool]]]:
    """Listen to a topic with a client that is not ours: topic, payload, retained."""
    heard: queue.SimpleQueue[tuple[str, bytes, bool]] = queue.SimpleQueue()
    client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)

    def on_connect(client: mqtt.Client, *_: Any) -> None:
        client.subscribe(topic, qos=1)

    def on_message(_client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        heard.put((message.topic, bytes(message.payload), message.retain))

    client.on_connect = on_connect
    client.on_message = on_message
    client.connect("127.0.0.1", int(url.rsplit(":", 1)[1]))
    client.loop_start()
    try:
        yield heard
    finally:
        client.disconnect()
        client.loop_stop()
