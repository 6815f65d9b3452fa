"""Listening in at a broker for a while, with a name and a session of its own: the service notices nothing."""

from __future__ import annotations

import queue
import secrets
import time
from collections.abc import Callable
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from detect.errors import BrokerError
from ingest.config import BrokerConfig
from ingest.link import CONNECT_TIMEOUT_S, prepare_access, reach
from ingest.wire import Message


def eavesdrop(
    broker: BrokerConfig, *, seconds: float, most: int = 200_000, ready: Callable[[], None] = lambda: None
) -> list[Message]:
    """Return what any device publishes within a time, retained messages left out.

    Parameters
    ----------
    broker:
        Address and secrets.
    seconds:
        How long to listen [s].
    most:
        After so many messages the listening ends early.
    ready:
        Called once the broker has accepted the subscription.

    Raises
    ------
    BrokerError
        When the broker cannot be reached, or refuses us.
    """
    heard: queue.SimpleQueue[Message] = queue.SimpleQueue()
    answers: queue.SimpleQueue[str] = queue.SimpleQueue()
    client = _listener(broker, heard, answers)
    reach(client, broker)
    client.loop_start()
    try:
        _require_welcome(answers, broker)
        ready()
        return _collected(heard, seconds=seconds, most=most)
    finally:
        client.disconnect()
        client.loop_stop()


def _listener(
    broker: BrokerConfig, heard: queue.SimpleQueue[Message], answers: queue.SimpleQueue[str]
) -> mqtt.Client:
    """Prepare a client that subscribes to everything and passes on what it hears."""
    name = f"quietclaw-doctor-{secrets.token_hex(4)}"
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=name, protocol=mqtt.MQTTv5)

    def on_connect(client: mqtt.Client, _data: Any, *answer: Any) -> None:
        if answer[1].is_failure:
            answers.put(f"refuses us: {answer[1]}")
        else:
            client.subscribe("#", qos=0)

    def on_subscribe(_client: mqtt.Client, _data: Any, *answer: Any) -> None:
        failed = answer[1][0].is_failure
        answers.put(f"refuses our subscription to everything: {answer[1][0]}" if failed else "")

    def on_message(_client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        if not message.retain:
            heard.put(Message(time.time_ns(), message.topic, bytes(message.payload)))

    client.on_connect, client.on_subscribe, client.on_message = on_connect, on_subscribe, on_message
    prepare_access(client, broker)
    return client


def _require_welcome(answers: queue.SimpleQueue[str], broker: BrokerConfig) -> None:
    try:
        refusal = answers.get(timeout=CONNECT_TIMEOUT_S)
    except queue.Empty:
        raise BrokerError("does not answer in MQTT 5", where=broker.url) from None
    if refusal:
        raise BrokerError(refusal, where=broker.url)


def _collected(heard: queue.SimpleQueue[Message], *, seconds: float, most: int) -> list[Message]:
    """Wait until the time is over or enough is heard."""
    messages: list[Message] = []
    until_s = time.monotonic() + seconds
    while len(messages) < most and (left_s := until_s - time.monotonic()) > 0.0:
        try:
            messages.append(heard.get(timeout=left_s))
        except queue.Empty:
            break
    return messages
