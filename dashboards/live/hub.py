"""Server-sent events to many browsers: each message is written once, a slow reader harms nobody.

The pipeline's thread publishes; everything else happens in the loop of the HTTP server.
"""

from __future__ import annotations

import asyncio
import json
import threading
from collections import deque
from collections.abc import AsyncIterator, Callable
from typing import Any, Final

QUEUE: Final = 64
"""Messages that may wait for one browser; with more it is given a new snapshot (engineering choice)."""
CLIENTS: Final = 60
"""Most browsers at once (engineering choice: three times what was measured)."""
BEAT_S: Final = 2.0
"""Without other news a sign of life is sent this often [s]; the page tells its age by it."""
RETRY: Final = b"retry: 1000\n\n"


def encode(event: str, value: Any) -> bytes:
    """Return one event as it goes over the wire."""
    data = json.dumps(value, separators=(",", ":"), allow_nan=False)
    return f"event: {event}\ndata: {data}\n\n".encode()


class _Client:
    """One browser's queue; lives in the server's loop."""

    def __init__(self, stall: int | None) -> None:
        self.stall = stall
        self.waiting: deque[bytes] = deque()
        self.news = asyncio.Event()
        self.behind = True  # it needs a snapshot first

    def give(self, message: bytes) -> None:
        """Add a message; one too many stands for all of them."""
        if len(self.waiting) >= QUEUE:
            self.waiting.clear()
            self.behind = True
        if not self.behind:
            self.waiting.append(message)
        self.news.set()


class Hub:
    """Hand messages to all browsers, or to those that look at one stall.

    Parameters
    ----------
    snapshot:
        Gives the message that brings a browser up to date; called in the server's loop.
    """

    def __init__(self, snapshot: Callable[[], bytes]) -> None:
        self._snapshot = snapshot
        self._clients: set[_Client] = set()
        self._loop: asyncio.AbstractEventLoop | None = None
        self._watched: frozenset[int] = frozenset()
        self._arrived: set[int] = set()
        self._lock = threading.Lock()
        self._closed = False

    @property
    def watched(self) -> frozenset[int]:
        """Return the stalls that somebody looks at closely."""
        return self._watched

    def arrived(self) -> set[int]:
        """Return the stalls that somebody has begun to look at since it was last asked."""
        with self._lock:
            arrived, self._arrived = self._arrived, set()
        return arrived

    @property
    def clients(self) -> int:
        """Return how many browsers are connected."""
        return len(self._clients)

    def attach(self) -> None:
        """Take the running loop for the loop of all browsers."""
        self._loop = asyncio.get_running_loop()

    def publish(self, message: bytes, *, stall: int | None = None) -> None:
        """Send a message to every browser, or to those at one stall; from any thread."""
        loop = self._loop
        if loop is not None and self._clients and not loop.is_closed():
            loop.call_soon_threadsafe(self._spread, message, stall)

    def close(self) -> None:
        """End all streams: a server that stops would wait for them for ever."""
        self._closed = True
        loop = self._loop
        if loop is not None and not loop.is_closed():
            loop.call_soon_threadsafe(self._wake)

    async def stream(self, stall: int | None) -> AsyncIterator[bytes]:
        """Yield what one browser is sent until the hub closes.

        Parameters
        ----------
        stall:
            Whose traces it wants as well.
        """
        client = _Client(stall)
        self._enter(client)
        try:
            yield RETRY
            while not self._closed:
                yield await self._next(client)
        finally:
            self._leave(client)

    async def _next(self, client: _Client) -> bytes:
        """Wait for news and return all of it; a browser that fell behind gets the present instead."""
        if client.behind:
            client.behind = False
            client.waiting.clear()
            return self._snapshot()
        if not client.waiting:
            client.news.clear()
            try:
                await asyncio.wait_for(client.news.wait(), BEAT_S)
            except TimeoutError:
                return b": \n\n"
        news = b"".join(client.waiting)
        client.waiting.clear()
        return news

    def _enter(self, client: _Client) -> None:
        self._clients.add(client)
        if client.stall is not None:
            with self._lock:
                self._arrived.add(client.stall)
        self._watch()

    def _leave(self, client: _Client) -> None:
        self._clients.discard(client)
        self._watch()

    def _watch(self) -> None:
        self._watched = frozenset(c.stall for c in self._clients if c.stall is not None)

    def _spread(self, message: bytes, stall: int | None) -> None:
        for client in self._clients:
            if stall is None or client.stall == stall:
                client.give(message)

    def _wake(self) -> None:
        for client in self._clients:
            client.news.set()
