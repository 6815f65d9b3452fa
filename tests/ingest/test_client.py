"""The client tells apart what passes and what is for good, spoken to by a broker of a few bytes."""

from __future__ import annotations

import queue
import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress

import pytest

from detect.errors import BrokerError
from ingest.client import BrokerClient, Connected, Delivery, Incoming, Refused
from ingest.config import Config
from ingest.redelivery import Origin

CONNACK = bytes.fromhex("20 03 00 00 00")
SUBACK = bytes.fromhex("90 04 00 01 00 01")
PATIENCE_S = 20.0


@contextmanager
def scripted(*answers: bytes) -> Iterator[tuple[Config, queue.SimpleQueue[bytes]]]:
    """Answer each packet of one client with the next words of a script; give what it says."""
    said: queue.SimpleQueue[bytes] = queue.SimpleQueue()

    def serve(listener: socket.socket) -> None:
        connection, _ = listener.accept()
        # A client that leaves with words unread resets the connection.
        with connection, suppress(ConnectionResetError):
            for answer in answers:
                said.put(connection.recv(4096))
                connection.sendall(answer)
            while words := connection.recv(4096):
                said.put(words)

    with socket.create_server(("127.0.0.1", 0)) as listener:
        thread = threading.Thread(target=serve, args=(listener,))
        thread.start()
        url = f"mqtt://127.0.0.1:{listener.getsockname()[1]}"
        yield (
            Config.model_validate({"broker": {"url": url}, "parlor": {"name": "willowmere", "stalls": 4}}),
            said,
        )
        thread.join(PATIENCE_S)


def publish(topic: bytes, payload: bytes, *, mid: int) -> bytes:
    """Return a PUBLISH packet of QoS 1."""
    body = len(topic).to_bytes(2, "big") + topic + mid.to_bytes(2, "big") + b"\x00" + payload
    return bytes([0x32, len(body)]) + body


@pytest.mark.source("MQTT 5.0 clause 3.14.2.1 and table 2-6: 0x8E session taken over (from memory)")
def test_a_session_taken_over_is_for_good() -> None:
    """Two services of one name must not throw each other out for ever: the first one ends."""
    incoming: queue.SimpleQueue[Incoming] = queue.SimpleQueue()
    taken_over = bytes.fromhex("e0 02 8e 00")
    with (
        scripted(CONNACK, SUBACK, taken_over) as (config, _),
        BrokerClient(config, incoming) as client,
    ):
        connected = incoming.get(timeout=PATIENCE_S)
        client.publish_retained([("milking/willowmere/committed/1", b"{}")])
        refused = incoming.get(timeout=PATIENCE_S)
    assert isinstance(connected, Connected)
    assert isinstance(refused, Refused)
    assert "another client took the name quietclaw-willowmere" in str(refused.error)


@pytest.mark.source("MQTT 5.0 table 3-1: 0x86 bad user name or password (from memory)")
def test_a_refused_connection_is_a_broker_error() -> None:
    """A refusal of the first connection ends the start with one line."""
    bad_password = bytes.fromhex("20 03 00 86 00")
    with (
        scripted(bad_password) as (config, _),
        pytest.raises(BrokerError, match="refuses us: Bad user name or password"),
    ):
        BrokerClient(config, queue.SimpleQueue()).connect()


@pytest.mark.source("MQTT 5.0 table 3-8: 0x87 not authorized in a SUBACK (from memory)")
def test_a_refused_subscription_is_a_broker_error() -> None:
    """A parlor we may not listen to is told at the start, not by silence."""
    not_authorized = bytes.fromhex("90 04 00 01 00 87")
    with (
        scripted(CONNACK, not_authorized) as (config, _),
        pytest.raises(BrokerError, match="refuses our subscription: Not authorized"),
    ):
        BrokerClient(config, queue.SimpleQueue()).connect()


def test_nothing_is_acknowledged_unasked_and_a_lost_connection_never() -> None:
    """Acknowledgements go out in order when told, only for the connection by which a message came.

    Before the end the subscription is asked for again: the broker's answer comes after it has taken them.
    """
    incoming: queue.SimpleQueue[Incoming] = queue.SimpleQueue()
    topic = b"milking/willowmere/stall/1/flow"
    two = publish(topic, b"a", mid=7) + publish(topic, b"b", mid=8)
    with (
        scripted(CONNACK, SUBACK + two) as (config, said),
        BrokerClient(config, incoming, clock_ns=lambda: 42) as client,
    ):
        connected, first, second = (incoming.get(timeout=PATIENCE_S) for _ in range(3))
        assert isinstance(connected, Connected)
        assert isinstance(first, Delivery)
        assert isinstance(second, Delivery)
        stale = Delivery(Origin(first.origin.connection - 1, 99), 1, False, first.message)
        client.acknowledge([stale, first, second])
    words = [said.get(timeout=PATIENCE_S) for _ in range(2)]
    subscription = words[1]
    while not said.empty():
        words.append(said.get())
    assert (first.message.recv_ns, first.message.payload, second.message.payload) == (42, b"a", b"b")
    again = subscription.replace(b"\0\x01", b"\0\x02", 1)  # the next identifier
    assert b"".join(words[2:]) == bytes.fromhex("40 02 00 07  40 02 00 08") + again + bytes.fromhex("e0 00")


def test_a_topic_that_is_not_utf_8_is_still_a_message() -> None:
    """A broken topic is passed on to be quarantined; it does not stop the network thread."""
    incoming: queue.SimpleQueue[Incoming] = queue.SimpleQueue()
    with (
        scripted(CONNACK, SUBACK + publish(b"milking/\xff", b"a", mid=7)) as (config, _),
        BrokerClient(config, incoming),
    ):
        incoming.get(timeout=PATIENCE_S)
        delivery = incoming.get(timeout=PATIENCE_S)
    assert isinstance(delivery, Delivery)
    assert delivery.message.topic == "(the topic is not UTF-8)"


def test_a_full_queue_holds_the_network_back_and_drops_nothing() -> None:
    """Whatever the broker sends at once, no more than the bound waits here; and the end is not held up."""
    incoming: queue.Queue[Incoming] = queue.Queue(2)
    many = b"".join(publish(b"milking/willowmere/stall/1/flow", b"%03d" % i, mid=i + 1) for i in range(50))
    with scripted(CONNACK, SUBACK + many) as (config, _):
        with BrokerClient(config, incoming):
            heard = [incoming.get(timeout=PATIENCE_S) for _ in range(31)]
        assert incoming.qsize() <= 2
    payloads = [item.message.payload for item in heard[1:] if isinstance(item, Delivery)]
    assert payloads == [b"%03d" % i for i in range(30)]


def test_a_renewed_connection_ends_the_old_one() -> None:
    """The broker sees the connection go down."""
    incoming: queue.SimpleQueue[Incoming] = queue.SimpleQueue()
    with scripted(CONNACK, SUBACK) as (config, said), BrokerClient(config, incoming) as client:
        assert isinstance(incoming.get(timeout=PATIENCE_S), Connected)
        client.renew()
        words = [said.get(timeout=PATIENCE_S) for _ in range(2)]
    assert all(words)
