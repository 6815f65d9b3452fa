"""A capture published round after round as one long record: simulating a day live would cost a core."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterable, Iterator
from itertools import count
from pathlib import Path
from typing import Final

from ingest.capture import read_parts
from ingest.messages import Messages
from tests.system.crashing import NS, Farm
from tests.system.mosquitto import SECRET
from tests.system.raw_sender import RawSender

NS_PER_MS: Final = 1_000_000
GROUP: Final = 100
"""Most messages sent in one go."""
SOON_S: Final = 0.005
"""Shorter waits are not worth a system call [s] (engineering choice)."""


def rounds(capture: Path, *, start_ns: int) -> Iterator[tuple[int, str, bytes]]:
    """Repeat a capture for ever, with time, numbers and cows going on.

    Parameters
    ----------
    capture:
        Messages as the simulator writes them: ``seq`` first, then ``t_ms``.
    start_ns:
        When the first round begins [ns since 1970-01-01 UTC].

    Yields
    ------
    tuple[int, str, bytes]
        When it was received, topic, payload. At a seam the stalls leap from one milking into another.
    """
    first_ns, last_ns = _span_ns(capture)
    length_ns = -(-(last_ns - first_ns) // NS) * NS
    begins: dict[str, int] = {}
    for number in count():
        ends: dict[str, int] = {}
        shift_ns = start_ns - first_ns + number * length_ns
        for part in read_parts(capture):
            yield from _shifted(part, shift_ns, (begins, ends), f"r{number}-")
        begins = {topic: last + 1 for topic, last in ends.items()}


def _span_ns(capture: Path) -> tuple[int, int]:
    """Return when the first and the last message of a capture were received."""
    parts = [part.recv_ns for part in read_parts(capture) if len(part)]
    return int(parts[0][0]), int(parts[-1][-1])


def _shifted(
    part: Messages, shift_ns: int, numbers: tuple[dict[str, int], dict[str, int]], herd: str
) -> Iterator[tuple[int, str, bytes]]:
    """Move messages in time, count their numbers on, and name other cows."""
    begins, ends = numbers
    named, shift_ms = b'"cow":"' + herd.encode(), shift_ns // NS_PER_MS
    for recv_ns, topic, payload in zip(part.recv_ns.tolist(), part.topics, part.payloads, strict=True):
        head, comma, rest = payload.partition(b',"boot"')
        seq, t_ms = head[len(b'{"seq":') :].split(b',"t_ms":')
        number = int(seq) + begins.get(topic, 0)
        ends[topic] = max(number, ends.get(topic, 0))
        if topic.endswith("/cow"):
            rest = rest.replace(b'"cow":"', named)
        moved = b'{"seq":%d,"t_ms":%d' % (number, int(t_ms) + shift_ms)
        yield recv_ns + shift_ns, topic, moved + comma + rest


class Sending:
    """Messages on their way to the broker in their own time, in a thread of its own.

    Parameters
    ----------
    farm:
        Whose broker.
    messages:
        When each is due [ns], topic and payload, in order.
    speed:
        Seconds of the record in one second of the clock.
    """

    def __init__(self, farm: Farm, messages: Iterable[tuple[int, str, bytes]], *, speed: float = 1.0) -> None:
        self.sent = 0
        self.sent_s = 0.0
        """Seconds of the record that were sent."""
        self._farm = farm
        self._messages = messages
        self._speed = speed
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    @property
    def goes_on(self) -> bool:
        """Tell whether there is more to come."""
        return self._thread.is_alive()

    def end(self) -> None:
        """Send no more."""
        self._over.set()
        self._thread.join()

    def _run(self) -> None:
        begun_s, first_ns, group = time.monotonic(), None, []
        with RawSender(self._farm.broker.port, user="gateway", password=SECRET) as sender:
            for due_ns, topic, payload in self._messages:
                first_ns = due_ns if first_ns is None else first_ns
                ahead_s = begun_s + (due_ns - first_ns) / NS / self._speed - time.monotonic()
                if group and (ahead_s > SOON_S or len(group) == GROUP):
                    self._send(sender, group)
                    group = []
                if self._over.wait(ahead_s) if ahead_s > SOON_S else self._over.is_set():
                    return
                group.append((topic, payload))
                self.sent_s = (due_ns - first_ns) / NS
            self._send(sender, group)

    def _send(self, sender: RawSender, group: list[tuple[str, bytes]]) -> None:
        sender.publish(group)
        self.sent += len(group)
