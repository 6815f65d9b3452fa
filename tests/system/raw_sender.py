"""A sender that costs next to nothing, so that a trial measures the service and not the sender."""

from __future__ import annotations

import socket
import struct
import threading
from types import TracebackType
from typing import Final, Self

PUBLISH_QOS_1: Final = b"\x32"
PUBACK_BYTES: Final = 4
CONNECT_FLAGS: Final = 0b1100_0010
"""User name, password, clean session."""
PATIENCE_S: Final = 60.0


def text(value: str) -> bytes:
    """Return a string as MQTT writes it: its length in two bytes, then UTF-8."""
    raw = value.encode()
    return struct.pack("!H", len(raw)) + raw


def packet(kind: bytes, body: bytes) -> bytes:
    """Return a packet: its kind, the length of the body in groups of seven bits, the body."""
    size, length = bytearray(), len(body)
    while True:
        length, low = divmod(length, 128)
        size.append(low | (128 if length else 0))
        if not length:
            return kind + bytes(size) + body


class RawSender:
    """Publish over a bare socket: MQTT 3.1.1, QoS 1, at most ``window`` messages unconfirmed.

    A client library takes 150 us of processor time a message, this one about 10 (measured).
    """

    def __init__(self, port: int, *, user: str, password: str, window: int = 4000) -> None:
        self._socket = socket.create_connection(("127.0.0.1", port), PATIENCE_S)
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        hello = text("MQTT") + bytes([4, CONNECT_FLAGS]) + struct.pack("!H", 0)
        self._socket.sendall(packet(b"\x10", hello + text("raw-sender") + text(user) + text(password)))
        answer = self._socket.recv(4)
        assert answer[3:] == b"\0", f"the broker refuses: {answer!r}"
        self._window = window
        self._sent = self._confirmed = 0
        self._room = threading.Condition()
        self._reader = threading.Thread(target=self._read)
        self._reader.start()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if error is None:
            self._wait(0)
        self._socket.shutdown(socket.SHUT_RDWR)
        self._reader.join()
        self._socket.close()

    def publish(self, messages: list[tuple[str, bytes]]) -> None:
        """Send messages in one go, when there is room for them."""
        self._wait(self._window)
        parts = []
        for topic, payload in messages:
            self._sent += 1
            identifier = struct.pack("!H", self._sent % 65_535 + 1)
            parts.append(packet(PUBLISH_QOS_1, text(topic) + identifier + payload))
        self._socket.sendall(b"".join(parts))

    def _wait(self, most: int) -> None:
        """Wait until at most so many messages are unconfirmed."""
        with self._room:
            assert self._room.wait_for(lambda: self._sent - self._confirmed <= most, PATIENCE_S)

    def _read(self) -> None:
        """Count confirmations; each has four bytes, and nothing else comes."""
        got = 0
        while data := self._socket.recv(65_536):
            got += len(data)
            with self._room:
                self._confirmed = got // PUBACK_BYTES
                self._room.notify()
