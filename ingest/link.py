"""How every client of ours reaches the broker: the way, its secrets and its time limits.

The service, a gateway, a plain publisher and the doctor's listener differ in what they do there and not
in how they get there.
"""

from __future__ import annotations

import socket
import ssl
from typing import Any, Final

import paho.mqtt.client as mqtt
from paho.mqtt.properties import Properties

from detect.errors import BrokerError
from ingest.config import BrokerConfig

CONNECT_TIMEOUT_S: Final = 10.0
"""Longest wait for the broker's answer at the start (engineering choice)."""
KEEPALIVE_S: Final = 30
"""A dead connection is noticed within one and a half times this (engineering choice)."""


def prepare_access(client: mqtt.Client, broker: BrokerConfig) -> None:
    """Give a client user, password and encryption as configured, and a socket that sends at once.

    Raises
    ------
    BrokerError
        When the certificate authority cannot be used.
    """
    client.on_socket_open = _send_at_once
    if broker.user is not None:
        client.username_pw_set(broker.user, broker.password.get_secret_value() if broker.password else None)
    if broker.tls:
        try:
            client.tls_set_context(ssl.create_default_context(cafile=broker.ca_file))
        except OSError as error:
            raise BrokerError(f"certificate authority {broker.ca_file}: {error}", where=broker.url) from error


def _send_at_once(_client: mqtt.Client, _data: Any, connection: Any) -> None:
    """Switch off the gathering of small packets.

    An acknowledgement has four bytes; gathered with the next, it waits 40 ms for the broker's own
    system to confirm the one before, and a broker with a full window sends nothing meanwhile.
    """
    connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)


def reach(
    client: mqtt.Client,
    broker: BrokerConfig,
    *,
    clean_start: bool = True,
    properties: Properties | None = None,
) -> None:
    """Open a client's connection; the broker's answer comes to its ``on_connect``.

    Raises
    ------
    BrokerError
        When nobody answers at the address.
    """
    try:
        client.connect(broker.host, broker.port, KEEPALIVE_S, clean_start=clean_start, properties=properties)
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise BrokerError(f"cannot be reached: {reason}", where=broker.url) from error
