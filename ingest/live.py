"""The service: sessions one after another, as long as the store lets it.

When the store fails, memory is ahead of the file. The only safe way on is to drop the connection,
the history and the pipeline and to begin again from what is stored: the broker sends everything
unacknowledged once more. A full or failing disk is waited for as long as it takes; any other fault
that comes back after every attempt ends the service, for its supervisor to see.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from enum import Enum
from typing import TYPE_CHECKING, Final

from detect.errors import DiskError, StoreError
from ingest.announce import Announcements
from ingest.config import CaptureConfig, Config
from ingest.pipeline import Detector, Observer, Pipeline
from ingest.session import SYSTEM_CLOCKS, Clocks, Session, Signs
from store.history import History
from store.incident import Incident, IncidentKind

if TYPE_CHECKING:
    from ingest.rolling import Capturing

RETRY_S: Final = (1.0, 5.0, 30.0)
"""Pauses [s] before each new attempt after the store failed in a row (engineering choice)."""
TURN_S: Final = 1.0
"""Longest time without a sign of life while waiting [s] (engineering choice)."""
_LOG: Final = logging.getLogger(__name__)


class Ending(Enum):
    """What a stop does with the milkings that are still going on."""

    KEEP_OPEN = "keep_open"
    """They stay in the stored state, and the next start goes on with them."""
    CLOSE = "close"
    """The record has ended: they are closed, as a replay closes them."""


@dataclass(frozen=True, slots=True)
class Parts:
    """What the service is made of, given by whoever wires it.

    Parameters
    ----------
    open_history:
        Opens the history for writing; called again after the store has failed.
    new_detector:
        Makes a detector of the parlor without any state; called for each opened history.
    observers:
        Told of every batch after it is durable.
    on_connected:
        Told of every connection, once the broker has accepted our subscription: nothing sent from
        then on is missed.
    on_trouble:
        Told why the store failed, and None once it can be written again.
    on_turn:
        Called whenever the service has turned once round its work or its waiting: it is alive.
    clocks:
        Monotonic and receive time.
    retry_s:
        Pauses before each new attempt after the store failed in a row; the last one is repeated
        while the disk is at fault.
    announcements:
        The alerts that stand, published after each batch.
    """

    open_history: Callable[[], History]
    new_detector: Callable[[], Detector]
    observers: Sequence[Observer] = ()
    on_connected: Callable[[], None] = lambda: None
    on_trouble: Callable[[StoreError | None], None] = lambda _: None
    on_turn: Callable[[], None] = lambda: None
    clocks: Clocks = SYSTEM_CLOCKS
    retry_s: Sequence[float] = RETRY_S
    announcements: Announcements | None = None


class LiveService:
    """Serve one parlor from its broker."""

    def __init__(self, config: Config, parts: Parts) -> None:
        self._config = config
        self._parts = parts
        self._failures = 0
        self._trouble: StoreError | None = None
        self._opened = False

    def run(self, stop: threading.Event, *, ending: Ending = Ending.KEEP_OPEN) -> None:
        """Serve until told to stop.

        Parameters
        ----------
        stop:
            Set by whoever ends the service.
        ending:
            What the stop does with milkings that are still going on.

        Raises
        ------
        BrokerError
            When the broker cannot be reached at the start, or refuses us for good.
        StoreError
            When the history cannot be opened, or failed again after every new attempt.
        InputError
            When the capture cannot be written.
        """
        with ExitStack() as stack:
            capture = _capture(self._config.capture)
            if capture is not None:
                stack.callback(capture.close)
            while not self._serve(stop, ending, capture):
                pass

    def _serve(self, stop: threading.Event, ending: Ending, capture: Capturing | None) -> bool:
        """Serve from one opened history; tell whether that was all."""
        try:
            with self._parts.open_history() as history:
                self._opened = True
                self._session(history, stop, ending, capture)
        except StoreError as error:
            if not self._opened or not self._may_heal(error):
                raise
            return self._wait(stop)
        return True

    def _session(
        self, history: History, stop: threading.Event, ending: Ending, capture: Capturing | None
    ) -> None:
        """Serve from an opened history until told to stop."""
        pipeline = self._pipeline(history)
        session = Session(
            config=self._config,
            pipeline=pipeline,
            places=history.watermarks(self._config.parlor.name),
            capture=capture,
            clocks=self._parts.clocks,
            signs=Signs(on_connected=self._parts.on_connected, on_turn=self._parts.on_turn),
            announcements=self._parts.announcements,
        )
        session.serve(stop)
        if ending is Ending.CLOSE:
            pipeline.finish()

    def _healed(self, history: History) -> None:
        """After a commit, note the fault that went before it, once for all attempts."""
        self._failures = 0
        if (trouble := self._trouble) is not None:
            self._trouble = None
            history.note_incident(Incident(IncidentKind.STORE_FAILED, trouble.what))
            self._parts.on_trouble(None)
            _LOG.info("the store can be written again")

    def _may_heal(self, error: StoreError) -> bool:
        """Tell whether another attempt is worth it, and tell about the fault once."""
        self._failures += 1
        if self._trouble is None or self._trouble.what != error.what:
            _LOG.error("the store failed, beginning again from what is stored: %s", error)
        self._trouble = error
        self._parts.on_trouble(error)
        return isinstance(error, DiskError) or self._failures <= len(self._parts.retry_s)

    def _wait(self, stop: threading.Event) -> bool:
        """Pause before the next attempt, showing signs of life; tell whether we are to stop instead."""
        until_s = self._parts.clocks.monotonic_s() + self._parts.retry_s[: self._failures][-1]
        while (left_s := until_s - self._parts.clocks.monotonic_s()) > 0.0:
            self._parts.on_turn()
            if stop.wait(min(left_s, TURN_S)):
                return True
        return stop.is_set()

    def _pipeline(self, history: History) -> Pipeline:
        """Open a pipeline where the history ends."""
        pipeline = Pipeline.open(
            history=history, detector=self._parts.new_detector(), decoder=self._config.decoder()
        )
        for observer in (*self._parts.observers, lambda _: self._healed(history)):
            pipeline.observe(observer)
        _LOG.info("pipeline of %s: %s", self._config.parlor.name, pipeline.start)
        return pipeline


def _capture(config: CaptureConfig) -> Capturing | None:
    """Open where received messages are kept as well, if anywhere."""
    if config.path is None:
        return None
    # Only here: the library that writes captures takes 25 MB and a quarter of a second (measured).
    from ingest.capture import CaptureWriter  # noqa: PLC0415
    from ingest.rolling import RollingCapture  # noqa: PLC0415

    if config.keep_hours is None:
        return CaptureWriter(config.path)
    return RollingCapture(config.path, keep_hours=config.keep_hours)
