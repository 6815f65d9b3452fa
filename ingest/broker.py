"""The embedded broker of the zero-set-up demo and of the tests.

It speaks MQTT 5 on a free loopback port, in a child process that ends with this one. Its sessions
live in memory only: it is no broker for a parlor.
"""

from __future__ import annotations

import socket
import tempfile
from contextlib import suppress
from importlib import import_module
from pathlib import Path
from types import ModuleType, TracebackType
from typing import Final, Self

from detect.errors import BrokerError, InputError

HOST: Final = "127.0.0.1"
IN_FLIGHT: Final = 100
"""Messages this broker sends unacknowledged, whatever receive maximum it is told (measured)."""
_SETTINGS: Final = """
id = 0
[router]
id = 0
max_connections = 64
max_outgoing_packet_count = 200
max_segment_size = 10485760
max_segment_count = 10
[v5.1]
name = "v5-1"
listen = "{host}:{port}"
next_connection_delay_ms = 1
[v5.1.connections]
connection_timeout_ms = 60000
max_payload_size = 16777216
max_inflight_count = 100
dynamic_filters = true
"""
"""Segments of 10 MB, as the default of 100 MB takes 600 MB of memory (measured); payloads large
enough that an oversized message reaches the quarantine instead of ending a connection."""


class EmbeddedBroker:
    """Run a broker for as long as the context lasts.

    Attributes
    ----------
    url:
        Address for MQTT 5 clients.

    Raises
    ------
    InputError
        When the package of the broker is not installed.
    BrokerError
        When the broker does not start.
    """

    def __init__(self, *, port: int | None = None) -> None:
        package = _package()
        self.port = _free_port() if port is None else port
        self.url = f"mqtt://{HOST}:{self.port}"
        self._folder = tempfile.TemporaryDirectory(prefix="quietclaw-broker-")
        settings = Path(self._folder.name) / "broker.toml"
        settings.write_text(_SETTINGS.format(host=HOST, port=self.port))
        self._broker = package.Broker(config_path=str(settings))

    def __enter__(self) -> Self:
        try:
            self._broker.start()
        except (OSError, RuntimeError) as error:
            self._folder.cleanup()
            raise BrokerError(f"the embedded broker does not start: {error}", where=self.url) from error
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._broker.stop()
        with suppress(OSError):
            self._folder.cleanup()


def _package() -> ModuleType:
    """Import the broker's package, an extra, only here."""
    try:
        return import_module("iotcore")
    except ImportError as error:
        raise InputError("the embedded broker is not installed: pip install 'quietclaw[demo]'") from error


def _free_port() -> int:
    """Ask the system for a port nobody listens on."""
    with socket.socket() as probe:
        probe.bind((HOST, 0))
        return int(probe.getsockname()[1])
