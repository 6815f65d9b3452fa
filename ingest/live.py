"""The service: sessions one after another, as long as the store lets it.

When the store fails, memory is ahead of the file. The only safe way on is to drop the connection,
the history and the pipeline and to begin again from what is stored: the broker sends everything
unacknowledged once more.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from enum import Enum
from typing import Final

from detect.errors import StoreError
from ingest.announce import Announcements
from ingest.capture import CaptureWriter
from ingest.config import Config
from ingest.pipeline import Detector, Observer, Pipeline
from ingest.session import SYSTEM_CLOCKS, Clocks, Session
from store.history import History

RETRY_S: Final = (1.0, 5.0, 30.0)
"""Pauses [s] before each new attempt after the store failed in a row (engineering choice)."""
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
    clocks:
        Monotonic and receive time.
    retry_s:
        Pauses before each new attempt after the store failed in a row.
    announcements:
        The alerts that stand, published after each batch.
    """

    open_history: Callable[[], History]
    new_detector: Callable[[], Detector]
    observers: Sequence[Observer] = ()
    on_connected: Callable[[], None] = lambda: None
    clocks: Clocks = SYSTEM_CLOCKS
    retry_s: Sequence[float] = RETRY_S
    announcements: Announcements | None = None


class LiveService:
    """Serve one parlor from its broker."""

    def __init__(self, config: Config, parts: Parts) -> None:
        self._config = config
        self._parts = parts
        self._failures = 0

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
        path = self._config.capture.path
        with ExitStack() as stack:
            capture = stack.enter_context(CaptureWriter(path)) if path else None
            while not self._serve(stop, ending, capture):
                pass

    def _serve(self, stop: threading.Event, ending: Ending, capture: CaptureWriter | None) -> bool:
        """Serve from one opened history; tell whether that was all."""
        with self._parts.open_history() as history:
            pipeline = self._pipeline(history)
            session = Session(
                config=self._config,
                pipeline=pipeline,
                places=history.watermarks(self._config.parlor.name),
                capture=capture,
                clocks=self._parts.clocks,
                on_connected=self._parts.on_connected,
                announcements=self._parts.announcements,
            )
            try:
                session.serve(stop)
                if ending is Ending.CLOSE:
                    pipeline.finish()
            except StoreError as error:
                self._failures = 1 if session.commits else self._failures + 1
                if self._failures > len(self._parts.retry_s):
                    raise
                _LOG.error("the store failed, beginning again from what is stored: %s", error)
            else:
                return True
        return stop.wait(self._parts.retry_s[self._failures - 1])

    def _pipeline(self, history: History) -> Pipeline:
        """Open a pipeline where the history ends."""
        pipeline = Pipeline.open(
            history=history, detector=self._parts.new_detector(), decoder=self._config.decoder()
        )
        for observer in self._parts.observers:
            pipeline.observe(observer)
        _LOG.info("pipeline of %s: %s", self._config.parlor.name, pipeline.start)
        return pipeline
