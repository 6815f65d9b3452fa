"""Words to the supervisor that started us: ready, alive, stopping (systemd's notification protocol).

One datagram each to the socket that the environment names. "Alive" is said only by the loop that
commits messages or waits for the disk, never by a timer of its own: a stuck service falls silent and
is started again.
"""

from __future__ import annotations

import os
import socket
import time
from collections.abc import Callable, Mapping
from contextlib import suppress

WORDS_PER_DEADLINE = 4
"""Signs of life sent within one watchdog period; half of them may be late (engineering choice)."""
US_PER_S = 1_000_000


class Supervisor:
    """Tell the supervisor how the service fares; without one, say nothing.

    Parameters
    ----------
    environ:
        Holds ``NOTIFY_SOCKET`` and ``WATCHDOG_USEC`` under a supervisor.
    clock_s:
        Monotonic time [s].
    """

    def __init__(
        self, environ: Mapping[str, str] = os.environ, *, clock_s: Callable[[], float] = time.monotonic
    ) -> None:
        address = environ.get("NOTIFY_SOCKET", "")
        self._address = "\0" + address[1:] if address.startswith("@") else address
        watchdog_us = environ.get("WATCHDOG_USEC", "")
        self._period_s = int(watchdog_us) / US_PER_S / WORDS_PER_DEADLINE if watchdog_us.isdecimal() else None
        self._clock_s = clock_s
        self._next_s = float("-inf")

    def ready(self, status: str) -> None:
        """Say that the service is up, and in a few words what it does."""
        self._say(f"READY=1\nSTATUS={status}")

    def status(self, status: str) -> None:
        """Say in a few words how it stands."""
        self._say(f"STATUS={status}")

    def alive(self) -> None:
        """Say that work goes on; called as often as one likes."""
        now_s = self._clock_s()
        if self._period_s is not None and now_s >= self._next_s:
            self._next_s = now_s + self._period_s
            self._say("WATCHDOG=1")

    def stopping(self) -> None:
        """Say that the service is about to end in order."""
        self._say("STOPPING=1")

    def _say(self, words: str) -> None:
        """Send one datagram; a supervisor that cannot hear is no reason to stop."""
        if not self._address:
            return
        with suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as out:
            out.sendto(words.encode(), self._address)
