"""A gateway that loses nothing: it keeps every frame until it is told that the frame is stored.

On every connection it begins with the oldest frame it still keeps and goes on in order: what the
broker had confirmed and lost comes again before anything newer, or a newer frame would turn the lost
ones into a gap. It also goes back

- when the broker says that nobody listens: after a crash it may not know the service any more. Then, and
  on every connection, one frame alone is offered until somebody listens: the service would else come
  back in the middle of many and take what nobody heard for lost;
- at the first receipt on its own connection, and at one that only repeats what was told: then the
  service has just come back, and what was sent before may have gone nowhere.

A connection is a client of its own: a client that reconnects by itself sends first what it had in
flight, which is the wrong order.
"""

from __future__ import annotations

import logging
import threading
import time
from collections import deque
from collections.abc import Callable
from types import TracebackType
from typing import Any, Final, Self

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from detect.errors import BrokerError
from ingest.client import FATAL
from ingest.config import BrokerConfig
from ingest.kept import KeptFrames
from ingest.link import CONNECT_TIMEOUT_S, prepare_access, reach
from ingest.wire import Message, committed_topic

IN_FLIGHT: Final = 200
"""Frames sent and not yet confirmed by the broker: enough to hide the way to it (measured)."""
MOST_KEPT: Final = 100_000
"""Frames kept: five minutes of 80 stalls, 100 MB; then the broker's word must do (engineering choice)."""
PATIENCE_S: Final = 60.0
"""A broker that cannot be reached, or confirms nothing, for so long is given up [s] (engineering choice)."""
RETRY_S: Final = (0.1, 2.0)
"""First and longest pause between attempts to connect [s] (engineering choice)."""
NOBODY_LISTENS: Final = 0x10
"""Reason code of a confirmation: no matching subscribers (MQTT 5 table 2-6, from memory)."""
LISTEN_AGAIN_S: Final = 0.25
"""Pause before frames are offered again that nobody listened to [s] (engineering choice)."""
ONE_BURST_S: Final = 1.0
"""Receipts of one connection of the service come within this [s] (engineering choice)."""
SETTLE_S: Final = 5.0
"""At the end: receipts that stand still for so long will not come [s] (engineering choice)."""
_LOG: Final = logging.getLogger(__name__)


class Gateway:
    """Publish frames in order, at least once each; use it as a context manager.

    One thread publishes. Frames are sent while it is in :meth:`publish` or :meth:`drain`.

    Parameters
    ----------
    broker:
        Address and secrets.
    root, parlor:
        First levels of the parlor's topics, under which the receipts come.
    client_id:
        Name of this gateway at the broker.
    most:
        Frames kept at most; the oldest go first, as soon as the broker has confirmed them.
    """

    def __init__(
        self,
        broker: BrokerConfig,
        *,
        root: str,
        parlor: str,
        client_id: str = "quietclaw-gateway",
        most: int = MOST_KEPT,
    ) -> None:
        self.resent = 0
        """Frames sent again after a new connection."""
        self._broker = broker
        self._client_id = client_id
        self._receipts = committed_topic(root=root, parlor=parlor, stall=None).removesuffix("plant") + "#"
        self._kept = KeptFrames(root=root, parlor=parlor)
        self._most = most
        self._changed = threading.Condition()
        self._client: mqtt.Client | None = None
        self._lost = False
        self._refusal: str | None = None
        self._ready = False
        self._next = 0
        self._sent_until = 0
        self._in_flight: deque[int] = deque()
        self._progress = 0
        self._back_at_s: float | None = None
        self._is_heard = False
        self._is_followed = False
        self._is_told = False
        self._went_back_s = -ONE_BURST_S
        self._told: dict[str, bytes] = {}

    def __enter__(self) -> Self:
        self._connect()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            if error is None:
                self.drain()
        finally:
            self._close()

    @property
    def kept(self) -> int:
        """Return how many frames are not known to be stored."""
        return len(self._kept)

    def publish(self, message: Message) -> None:
        """Send one frame, after all earlier ones; wait while too many are unconfirmed.

        Raises
        ------
        BrokerError
            When the broker refuses, or does nothing for long.
        """
        with self._changed:
            index = self._kept.add(message)
        self._work_until(lambda: self._next > index and self._has_room())

    def drain(self, *, settle_s: float | None = None) -> int:
        """Wait until all frames are confirmed, and stored if anybody tells so.

        Parameters
        ----------
        settle_s:
            How long the receipts may stand still [s]; None for a short while if any ever came.

        Returns
        -------
        int
            Frames that nobody has told to be stored; all of them when no receipt ever came.

        Raises
        ------
        BrokerError
            When the broker refuses, or does nothing for long.
        """
        self._work_until(lambda: self._next >= self._kept.end and not self._in_flight)
        if settle_s is None and self._is_followed:
            settle_s = SETTLE_S
        if settle_s is not None:
            try:
                self._work_until(lambda: not self._kept, patience_s=settle_s)
            except BrokerError as error:
                if self._refusal is not None:
                    raise
                _LOG.warning("%d frames are not told to be stored: %s", self.kept, error.what)
        return self.kept

    def _work_until(self, is_done: Callable[[], bool], *, patience_s: float = PATIENCE_S) -> None:
        """Send what is due, on new connections if need be, until done or nothing moves any more."""
        progress, until_s = self._progress, time.monotonic() + patience_s
        while True:
            if self._lost:
                self._reconnect()
            self._go_back()
            self._send_due()
            with self._changed:
                if self._refusal is not None:
                    raise BrokerError(self._refusal, where=self._broker.url)
                if is_done() and self._back_at_s is None:
                    return
                if progress != self._progress:
                    progress, until_s = self._progress, time.monotonic() + patience_s
                elif time.monotonic() > until_s:
                    raise BrokerError(f"confirms nothing for {patience_s:g} s", where=self._broker.url)
                if not self._lost and not self._can_send():
                    wake_s = min(until_s, self._back_at_s or until_s)
                    self._changed.wait(max(0.001, wake_s - time.monotonic()))

    def _send_due(self) -> None:
        """Hand frames to the client as far as the window allows, without holding its callbacks up."""
        while True:
            with self._changed:
                client = self._client
                due = self._kept.first_from(self._next) if self._can_send() else None
                if due is None and self._can_send():
                    self._next = self._kept.end  # the rest is stored already
                if due is None or client is None:
                    return
                index, message = due
                self._next = index + 1
                self.resent += index < self._sent_until
                self._sent_until = max(self._sent_until, self._next)
                self._in_flight.append(index)
            client.publish(message.topic, message.payload, qos=1)

    def _can_send(self) -> bool:
        is_free = not self._lost and self._back_at_s is None
        window = IN_FLIGHT if self._is_heard else 1
        return is_free and len(self._in_flight) < window and self._next < self._kept.end

    def _go_back(self) -> None:
        """Begin again with the oldest frame, when it is time and nothing is on its way any more."""
        with self._changed:
            is_due = self._back_at_s is not None and time.monotonic() >= self._back_at_s
            if is_due and not self._in_flight:
                self._next, self._back_at_s = self._kept.oldest, None

    def _has_room(self) -> bool:
        self._kept.shrink(self._most)
        return len(self._kept) <= self._most

    def _connect(self) -> None:
        """Connect with a new client and go back to the oldest frame kept."""
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=self._client_id,
            protocol=mqtt.MQTTv5,
            reconnect_on_failure=False,
        )
        client.max_inflight_messages_set(IN_FLIGHT)
        client.on_connect, client.on_disconnect = self._on_connect, self._on_disconnect
        client.on_subscribe, client.on_publish = self._on_subscribe, self._on_publish
        client.on_message = self._on_message
        prepare_access(client, self._broker)
        with self._changed:
            self._client, self._lost, self._ready = client, False, False
            self._back_at_s, self._is_told, self._is_heard = None, False, False
            self._in_flight.clear()
        try:
            reach(client, self._broker)
        except BrokerError:
            self._close()
            raise
        client.loop_start()
        with self._changed:
            self._changed.wait_for(lambda: self._ready or self._lost, CONNECT_TIMEOUT_S)
            self._next = self._kept.oldest
        if self._refusal is not None or not self._ready:
            self._close()
            raise BrokerError(self._refusal or "does not answer in MQTT 5", where=self._broker.url)

    def _reconnect(self) -> None:
        """Try to connect until it works, the broker refuses, or patience ends."""
        until_s, pause_s = time.monotonic() + PATIENCE_S, RETRY_S[0]
        while True:
            self._close()
            try:
                return self._connect()
            except BrokerError:
                if self._refusal is not None or time.monotonic() > until_s:
                    raise
            with self._changed:
                self._changed.wait(pause_s)
            pause_s = min(2.0 * pause_s, RETRY_S[1])

    def _close(self) -> None:
        client, self._client = self._client, None
        self._lost = True
        if client is not None:
            client.disconnect()
            client.loop_stop()

    def _on_connect(self, client: mqtt.Client, _data: Any, *answer: Any) -> None:
        _, code, _ = answer
        with self._changed:
            if code.is_failure:
                self._lost = True
                self._refusal = f"refuses us: {code}" if code.value in FATAL else None
                self._changed.notify_all()
                return
        client.subscribe(self._receipts, qos=1)

    def _on_subscribe(self, _client: mqtt.Client, _data: Any, *answer: Any) -> None:
        _, codes, _ = answer
        if codes[0].is_failure:
            _LOG.warning("the broker tells us no receipts: %s", codes[0])
        with self._changed:
            self._ready = True
            self._changed.notify_all()

    def _on_disconnect(self, client: mqtt.Client, *_: Any) -> None:
        with self._changed:
            if client is self._client:
                self._lost = True
                self._changed.notify_all()

    def _on_publish(self, client: mqtt.Client, _data: Any, *answer: Any) -> None:
        _, code, _ = answer
        with self._changed:
            if client is not self._client or not self._in_flight:
                return
            index = self._in_flight.popleft()  # in order (MQTT 5 clause 4.6, from memory)
            if code.is_failure:
                self._refusal = f"refuses a message: {code}"
            elif code.value == NOBODY_LISTENS and self._is_followed:
                self._back_at_s, self._is_heard = time.monotonic() + LISTEN_AGAIN_S, False
            else:
                self._kept.confirm(index)
                self._is_heard = True
                self._progress += 1
            self._changed.notify_all()

    def _on_message(self, client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        topic, payload = message.topic, bytes(message.payload)
        with self._changed:
            if client is not self._client:
                return
            released = self._kept.receive(topic, payload)
            self._is_followed = self._is_followed or released > 0
            self._progress += released > 0
            is_news = self._is_told and self._told.get(topic) != payload
            now_s = time.monotonic()
            if not message.retain and not is_news and now_s - self._went_back_s > ONE_BURST_S:
                self._back_at_s = self._went_back_s = now_s
            self._is_told = self._is_told or not message.retain
            self._told[topic] = payload
            self._changed.notify_all()
