"""The alert topics: what stands on each of them, and what the broker must be told to agree."""

from __future__ import annotations

import threading
from collections.abc import Mapping

from ingest.wire import alert_topic

CLEARED = b""
"""An empty retained message makes a broker forget the topic (MQTT 5 clause 3.3.1.3, from memory)."""
Announcement = tuple[str, bytes]


class Announcements:
    """Retained messages of a parlor's alerts; safe to set and to read from any thread.

    Parameters
    ----------
    root, parlor:
        The first levels of the topics.
    stalls:
        Number of stalls; stall 0 is the plant.
    """

    def __init__(self, *, root: str, parlor: str, stalls: int) -> None:
        self._topics = {
            stall: alert_topic(root=root, parlor=parlor, stall=stall or None) for stall in range(stalls + 1)
        }
        self._standing: dict[int, bytes] = {}
        self._news: dict[int, bytes] = {}
        self._lock = threading.Lock()

    def stand(self, alerts: Mapping[int, bytes]) -> None:
        """Let exactly these alerts stand, by stall."""
        with self._lock:
            for stall in self._standing.keys() | alerts.keys():
                told = alerts.get(stall, CLEARED)
                if self._standing.get(stall, CLEARED) != told:
                    self._news[stall] = told
            self._standing = dict(alerts)

    def news(self) -> list[Announcement]:
        """Return what has changed since it was last asked."""
        with self._lock:
            news, self._news = self._news, {}
        return [(self._topics[stall], told) for stall, told in news.items()]

    def everything(self) -> list[Announcement]:
        """Return all topics, so that nothing an earlier run left behind passes for live."""
        with self._lock:
            self._news = {}
            return [(topic, self._standing.get(stall, CLEARED)) for stall, topic in self._topics.items()]
