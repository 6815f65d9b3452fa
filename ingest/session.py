"""One connection joined to one pipeline: take a batch, commit it, acknowledge it, tell the gateways."""

from __future__ import annotations

import logging
import queue
import threading
import time
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from ingest.announce import Announcements
from ingest.client import BrokerClient, Connected, Delivery, Inbox, Incoming, Refused
from ingest.config import Config
from ingest.pipeline import Pipeline
from ingest.receipts import Receipts
from ingest.watchdog import Watchdog
from ingest.wire import is_outgoing
from store.batch import Watermark

if TYPE_CHECKING:
    from ingest.rolling import Capturing

_LOG: Final = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Clocks:
    """The two clocks of the service: monotonic [s], and receive time [ns since 1970-01-01 UTC]."""

    monotonic_s: Callable[[], float] = time.monotonic
    now_ns: Callable[[], int] = time.time_ns


SYSTEM_CLOCKS: Final = Clocks()


def next_turn_s(last_s: float, *, now_s: float, window_s: float) -> float:
    """Return when the next batch is due: one each window, not a window after each commit.

    Parameters
    ----------
    last_s, now_s:
        When the last one was due, and now [s], monotonic.
    window_s:
        Longest time a message waits for others [s].

    Returns
    -------
    float
        Never further away than a window, however many full batches were taken before their time; a
        turn that is late waits for nothing.
    """
    return min(max(last_s + window_s, now_s), now_s + window_s)


def take_batch(incoming: Inbox, *, until_s: float, most: int, clock_s: Callable[[], float]) -> list[Incoming]:
    """Take all that comes until an instant, and what waits already when it has passed.

    Returns
    -------
    list[Incoming]
        In order of arrival; empty when nothing came. Under load the batch holds what has piled up
        meanwhile, up to ``most``: larger batches share the fixed cost of a commit.
    """
    batch: list[Incoming] = []
    with suppress(queue.Empty):
        while len(batch) < most:
            left_s = until_s - clock_s()
            batch.append(incoming.get(timeout=left_s) if left_s > 0 else incoming.get_nowait())
    return batch


@dataclass(frozen=True, slots=True)
class Signs:
    """Who is told that the service lives.

    Attributes
    ----------
    on_connected:
        Told of every connection, once the broker has accepted our subscription.
    on_turn:
        Called after each batch that was dealt with, an empty one too.
    """

    on_connected: Callable[[], None] = lambda: None
    on_turn: Callable[[], None] = lambda: None


NO_SIGNS: Final = Signs()
"""Nobody is told."""


class Session:
    """Serve from one opened history, over one client.

    Parameters
    ----------
    config:
        All settings.
    pipeline:
        Where the messages go.
    places:
        What is already stored, by topic.
    capture:
        Where received messages are kept as well, if anywhere.
    clocks:
        Monotonic and receive time.
    signs:
        Who is told that the service lives.
    announcements:
        The alerts that stand; they are withdrawn at the end, since nobody watches any more.
    """

    def __init__(
        self,
        *,
        config: Config,
        pipeline: Pipeline,
        places: Mapping[str, Watermark],
        capture: Capturing | None = None,
        clocks: Clocks = SYSTEM_CLOCKS,
        signs: Signs = NO_SIGNS,
        announcements: Announcements | None = None,
    ) -> None:
        self.commits = 0
        self._config = config
        self._pipeline = pipeline
        self._capture = capture
        self._clocks = clocks
        self._signs = signs
        self._announcements = announcements
        self._names = {"root": config.broker.root, "parlor": config.parlor.name}
        self._receipts = Receipts(**self._names, places=places)
        # More never comes before something is acknowledged: waiting for it would be waiting in vain.
        self._most = min(config.batch.messages, config.broker.receive_maximum)

    def serve(self, stop: threading.Event) -> None:
        """Serve until told to stop; what has arrived by then is still committed and acknowledged.

        Raises
        ------
        BrokerError
            When the broker cannot be reached, or refuses us for good.
        StoreError
            When a batch could not be stored; its messages stay unacknowledged.
        """
        incoming: queue.Queue[Incoming] = queue.Queue(2 * self._config.broker.receive_maximum)
        watchdog = Watchdog(self._config.broker.silence_s, clock_s=self._clocks.monotonic_s)
        with BrokerClient(self._config, incoming, clock_ns=self._clocks.now_ns) as client:
            until_s = self._clocks.monotonic_s()
            while not stop.is_set():
                until_s = next_turn_s(
                    until_s, now_s=self._clocks.monotonic_s(), window_s=self._config.batch.window_s
                )
                batch = self._take(incoming, until_s)
                self._work(client, batch)
                if watchdog.barks(heard=any(isinstance(item, Delivery) for item in batch)):
                    client.renew()
                self._signs.on_turn()
            self._work(client, self._take(incoming, until_s=0.0))
            if self._announcements is not None:
                self._announcements.stand({})
                client.publish_retained(self._announcements.news())

    def _take(self, incoming: Inbox, until_s: float) -> list[Incoming]:
        return take_batch(incoming, until_s=until_s, most=self._most, clock_s=self._clocks.monotonic_s)

    def _work(self, client: BrokerClient, batch: list[Incoming]) -> None:
        """Commit what came, then acknowledge it."""
        deliveries: list[Delivery] = []
        for item in batch:
            match item:
                case Delivery():
                    deliveries.append(item)
                case Connected():
                    _LOG.info(
                        "connected to %s, hearing %s", self._config.broker.url, self._config.parlor.name
                    )
                    client.publish_retained(self._receipts.all())
                    if self._announcements is not None:
                        client.publish_retained(self._announcements.everything())
                    self._signs.on_connected()
                case Refused():
                    raise item.error
        news = [delivery for delivery in deliveries if self._is_news(delivery)]
        if news:
            self._commit(client, news)
        client.acknowledge(deliveries)
        if self._announcements is not None:  # also without messages: a person may have taken an alert
            client.publish_retained(self._announcements.news())

    def _commit(self, client: BrokerClient, news: list[Delivery]) -> None:
        messages = [delivery.message for delivery in news]
        if self._capture is not None:
            for message in messages:
                self._capture.write(message)
        committed = self._pipeline.process(messages, [delivery.origin for delivery in news])
        self.commits += 1
        client.publish_retained(self._receipts.after(committed.moved))

    def _is_news(self, delivery: Delivery) -> bool:
        """Leave out retained copies and our own messages, which some brokers send in spite of the options."""
        return not delivery.retained and not is_outgoing(delivery.message.topic, **self._names)
