"""Send messages to a broker as a parlor's devices would: MQTT 5, QoS 1, a bounded number in flight."""

from __future__ import annotations

import threading
from types import TracebackType
from typing import Any, Final, Self

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from detect.errors import BrokerError
from ingest.config import BrokerConfig
from ingest.link import CONNECT_TIMEOUT_S, prepare_access, reach
from ingest.wire import Message

IN_FLIGHT: Final = 200
"""Messages sent and not yet confirmed: enough to hide the way to the broker (measured)."""
STALL_TIMEOUT_S: Final = 30.0
"""A broker that confirms nothing for so long is given up [s] (engineering choice)."""


class Publisher:
    """Publish messages; use it as a context manager, which waits for the last confirmation.

    Parameters
    ----------
    broker:
        Address and secrets.
    client_id:
        Name of this sender at the broker.

    Raises
    ------
    BrokerError
        When the broker cannot be reached, refuses us, or stops confirming.
    """

    def __init__(self, broker: BrokerConfig, *, client_id: str = "quietclaw-simulator") -> None:
        self._broker = broker
        self._room = threading.BoundedSemaphore(IN_FLIGHT)
        self._answered = threading.Event()
        self._refusal: str | None = None
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=client_id, protocol=mqtt.MQTTv5)
        self._client.max_inflight_messages_set(IN_FLIGHT)
        self._client.on_connect = self._on_connect
        self._client.on_publish = self._on_publish
        prepare_access(self._client, broker)

    def __enter__(self) -> Self:
        reach(self._client, self._broker)
        self._client.loop_start()
        if not self._answered.wait(CONNECT_TIMEOUT_S) or self._refusal:
            self._close()
            raise BrokerError(self._refusal or "does not answer in MQTT 5", where=self._broker.url)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            if error is None:
                self.drain()
        finally:
            self._close()

    def publish(self, message: Message) -> None:
        """Send one message, waiting while too many are unconfirmed.

        Raises
        ------
        BrokerError
            When the broker has confirmed nothing for long, or has refused a message.
        """
        self._take_room()
        self._client.publish(message.topic, message.payload, qos=1)

    def drain(self) -> None:
        """Wait until the broker has confirmed everything.

        Raises
        ------
        BrokerError
            When it does not, or has refused a message.
        """
        for _ in range(IN_FLIGHT):
            self._take_room()
        for _ in range(IN_FLIGHT):
            self._room.release()

    def _take_room(self) -> None:
        if not self._room.acquire(timeout=STALL_TIMEOUT_S):
            raise BrokerError(f"confirms nothing for {STALL_TIMEOUT_S:g} s", where=self._broker.url)
        if self._refusal is not None:
            raise BrokerError(self._refusal, where=self._broker.url)

    def _close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def _on_connect(self, _client: mqtt.Client, _data: Any, *answer: Any) -> None:
        _, code, _ = answer
        if code.is_failure:
            self._refusal = f"refuses us: {code}"
        self._answered.set()

    def _on_publish(self, _client: mqtt.Client, _data: Any, *answer: Any) -> None:
        _, code, _ = answer
        if code.is_failure:
            self._refusal = f"refuses a message: {code}"
        self._room.release()
