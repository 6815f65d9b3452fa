"""The MQTT client: takes messages from the broker, and acknowledges them when told to.

The network thread only enqueues. Nothing is acknowledged before :meth:`BrokerClient.acknowledge`,
which is called after the commit; the receive maximum bounds what the broker may send until then.
A message identifier is good for one connection only, so every delivery knows its connection.
"""

from __future__ import annotations

import queue
import socket
import threading
import time
from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from types import TracebackType
from typing import Any, Final, Self

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from detect.errors import BrokerError
from ingest.config import BrokerConfig, Config
from ingest.link import CONNECT_TIMEOUT_S, prepare_access, reach
from ingest.redelivery import Origin
from ingest.wire import Message, parlor_filter

FAREWELL_S: Final = 2.0
"""Longest wait for the broker's last word at the end (engineering choice)."""
RECONNECT_S: Final = (1, 5)
"""First and longest pause between attempts to connect again (engineering choice)."""
ROOM_S: Final = 0.5
"""How often a full queue is looked at for the end of the service [s] (engineering choice)."""
MAX_PACKET_BYTES: Final = 16 * 1024 * 1024
"""Larger packets are not sent to us: a message of that size is a fault or an attack (engineering choice)."""
NO_RETAINED: Final = 2
"""MQTT 5 retain handling: send no retained messages at subscription (clause 3.8.3.1, from memory)."""
SESSION_TAKEN_OVER: Final = 0x8E
FATAL: Final = frozenset({0x81, 0x84, 0x85, 0x86, 0x87, 0x8A, 0x8C, SESSION_TAKEN_OVER})
"""Reason codes after which another attempt would fail in the same way (MQTT 5 table 2-6, from memory)."""


@dataclass(frozen=True, slots=True)
class Delivery:
    """One message with what it takes to acknowledge it on the connection it came by."""

    origin: Origin
    qos: int
    retained: bool
    message: Message


@dataclass(frozen=True, slots=True)
class Connected:
    """The broker has accepted a connection and our subscription."""

    connection: int


@dataclass(frozen=True, slots=True)
class Refused:
    """The broker will not serve us, now or later."""

    error: BrokerError


Incoming = Delivery | Connected | Refused
Inbox = queue.Queue[Incoming] | queue.SimpleQueue[Incoming]


class BrokerClient:
    """One client of the broker, with a fixed name and a session that outlives its connections.

    Parameters
    ----------
    config:
        Address, name, secrets and limits.
    incoming:
        Where the network thread puts what comes. When it is full the thread waits, and with it the
        broker: a bound on what does not come under the receive maximum, messages of QoS 0.
    clock_ns:
        Receive time [ns since 1970-01-01 UTC].
    """

    def __init__(
        self,
        config: Config,
        incoming: Inbox,
        *,
        clock_ns: Callable[[], int] = time.time_ns,
    ) -> None:
        self._config = config
        self._incoming = incoming
        self._clock_ns = clock_ns
        self._lock = threading.Lock()
        self._connection = 0
        self._told = 0
        self._closing = threading.Event()
        self._answered = threading.Event()
        self._refusal: BrokerError | None = None
        self._client = _new_client(config)
        self._client.on_connect = self._on_connect
        self._client.on_disconnect = self._on_disconnect
        self._client.on_subscribe = self._on_subscribe
        self._client.on_message = self._on_message

    def __enter__(self) -> Self:
        self.connect()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def connect(self) -> None:
        """Connect for the first time; later connections are made again without being asked.

        Raises
        ------
        BrokerError
            When the broker cannot be reached or refuses us; a later refusal comes through the queue.
        """
        broker = self._config.broker
        reach(self._client, broker, clean_start=False, properties=_session(broker))
        self._client.loop_start()
        answered = self._answered.wait(CONNECT_TIMEOUT_S)
        if self._refusal is not None or not answered:
            self.close()
            raise self._refusal or BrokerError("does not answer in MQTT 5", where=broker.url)

    def close(self) -> None:
        """Send what is still to be sent and disconnect; the broker keeps the session.

        While messages are coming in, a connection that is closed takes acknowledgements on their way
        with it (seen). So the subscription is asked for once more: the broker takes packets in order,
        and its answer says that it has taken the acknowledgements. Without an answer those messages
        come again and are known by their place.
        """
        self._closing.set()
        if self._client.is_connected():
            self._answered.clear()
            self._subscribe()
            self._answered.wait(FAREWELL_S)
        self._client.disconnect()
        self._client.loop_stop()

    def renew(self) -> None:
        """Drop the connection; the client makes a new one, and the broker sends again what it has.

        Some brokers were seen to hold messages back on a connection that looks sound.
        """
        connection: Any = self._client.socket()
        if connection is not None:
            with suppress(OSError):  # it may be going down already
                connection.shutdown(socket.SHUT_RDWR)

    def acknowledge(self, deliveries: Sequence[Delivery]) -> None:
        """Acknowledge deliveries in the order in which they came; those of a lost connection are left.

        The broker sends the latter again, and they are then known by their place.
        """
        with self._lock:
            for delivery in deliveries:
                if delivery.origin.connection == self._connection and delivery.qos:
                    self._client.ack(delivery.origin.mid, delivery.qos)

    def publish_retained(self, messages: Iterable[tuple[str, bytes]]) -> None:
        """Publish what the broker shall keep as the latest word on its topic; a lost one is said again."""
        for topic, payload in messages:
            self._client.publish(topic, payload, qos=0, retain=True)

    def _on_connect(self, _client: mqtt.Client, _data: Any, *answer: Any) -> None:
        flags, code, _ = answer
        if code.is_failure:
            self._refuse(code)
            return
        with self._lock:
            self._connection += 1
        if flags.session_present:
            # The subscription stands already. Its confirmation may come late: a broker with a full
            # window of waiting messages first wants acknowledgements (seen with the embedded one).
            self._accepted()
        self._subscribe()

    def _subscribe(self) -> None:
        topic = parlor_filter(root=self._config.broker.root, parlor=self._config.parlor.name)
        options = SubscribeOptions(qos=1, noLocal=True, retainHandling=NO_RETAINED)
        self._client.subscribe(topic, options=options)

    def _on_subscribe(self, _client: mqtt.Client, _data: Any, *answer: Any) -> None:
        _, codes, _ = answer
        if self._closing.is_set():
            self._answered.set()
        elif codes[0].is_failure:
            self._give_up(f"refuses our subscription: {codes[0]}")
        else:
            self._accepted()

    def _accepted(self) -> None:
        """Tell the service, once for each connection, that messages will come."""
        if self._told != self._connection:
            self._told = self._connection
            self._put(Connected(self._connection))
            self._answered.set()

    def _on_disconnect(self, _client: mqtt.Client, _data: Any, *farewell: Any) -> None:
        _, code, _ = farewell
        with self._lock:
            self._connection += 1
        if code.value in FATAL:
            self._refuse(code)

    def _on_message(self, _client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        recv_ns = self._clock_ns()
        try:
            topic = message.topic
        except UnicodeDecodeError:
            topic = "(the topic is not UTF-8)"
        received = Message(recv_ns, topic, bytes(message.payload))
        origin = Origin(self._connection, message.mid)
        self._put(Delivery(origin, message.qos, message.retain, received))

    def _put(self, item: Incoming) -> None:
        """Wait for room; at the end drop what is not acknowledged anyway."""
        while not self._closing.is_set():
            with suppress(queue.Full):
                self._incoming.put(item, timeout=ROOM_S)
                break

    def _refuse(self, code: ReasonCode) -> None:
        """Pass a refusal on, if it is for good; the client tries again after any other."""
        if code.value == SESSION_TAKEN_OVER:
            self._give_up(f"another client took the name {self._config.client_id}")
        elif code.value in FATAL:
            self._give_up(f"refuses us: {code}")

    def _give_up(self, what: str) -> None:
        """Tell the service that the broker will not serve us."""
        self._refusal = BrokerError(what, where=self._config.broker.url)
        self._put(Refused(self._refusal))
        self._answered.set()


def _new_client(config: Config) -> mqtt.Client:
    """Prepare a client: MQTT 5, acknowledging by hand, encrypted when the address says so."""
    client = mqtt.Client(
        CallbackAPIVersion.VERSION2,
        client_id=config.client_id,
        protocol=mqtt.MQTTv5,
        manual_ack=True,
    )
    client.reconnect_delay_set(*RECONNECT_S)
    prepare_access(client, config.broker)
    return client


def _session(broker: BrokerConfig) -> Properties:
    """Ask for a session that the broker keeps, and bound what it sends unacknowledged."""
    properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    properties.SessionExpiryInterval = broker.session_expiry_s
    properties.ReceiveMaximum = broker.receive_maximum
    properties.MaximumPacketSize = MAX_PACKET_BYTES
    return properties
