"""A broker that has fallen silent: when to drop the connection and make a new one.

A broker was seen to hold thousands of messages back on a sound connection, and to deliver them all
within seconds on the next one. Nothing is lost by a new connection: what comes again is known by its
place. But a parlor is silent between milkings too, so the pauses grow while nothing comes.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from typing import Final

LONGEST_S: Final = 900.0
"""Longest pause between two new connections of a silent parlor [s] (engineering choice)."""
_LOG: Final = logging.getLogger(__name__)


class Watchdog:
    """Ask for a new connection when nothing comes.

    Parameters
    ----------
    silence_s:
        First silence that counts [s]; each further one counts at twice the length.
    clock_s:
        Monotonic time [s].
    """

    def __init__(self, silence_s: float, *, clock_s: Callable[[], float]) -> None:
        self._first_s = silence_s
        self._clock_s = clock_s
        self._patience_s = silence_s
        self._since_s = clock_s()

    def barks(self, *, heard: bool) -> bool:
        """Tell whether it is time for a new connection, given whether anything came just now."""
        now_s = self._clock_s()
        if heard:
            self._since_s, self._patience_s = now_s, self._first_s
            return False
        if now_s - self._since_s <= self._patience_s:
            return False
        if self._patience_s == self._first_s:
            _LOG.warning(
                "nothing came for %.0f s: connecting anew; quietclaw doctor tells why", now_s - self._since_s
            )
        self._since_s, self._patience_s = now_s, min(2.0 * self._patience_s, max(LONGEST_S, self._first_s))
        return True
