"""A raw capture of the last hours only: the oldest parts go when their time is over or room runs out.

It serves looking back and replaying after a change. The history never depends on it, so a disk that
takes no more costs captured messages, which are counted, and nothing else.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable
from pathlib import Path
from typing import Final, Protocol

from detect.errors import InputError
from ingest.capture import CaptureWriter
from ingest.wire import Message
from store.space import LEAST_FREE_BYTES, free_space

S_PER_HOUR: Final = 3600.0
CHECK_S: Final = 30.0
"""How often age and room are looked at [s] (engineering choice)."""
_LOG: Final = logging.getLogger(__name__)


class Capturing(Protocol):
    """Where received messages are kept as well."""

    def write(self, message: Message) -> None:
        """Add one message."""

    def close(self) -> None:
        """Write what is left."""


class RollingCapture:
    """Keep the last hours of messages in a folder.

    Parameters
    ----------
    folder:
        The folder; it may hold earlier parts.
    keep_hours:
        Age at which a part goes [h].
    clock_s:
        Wall clock [s since 1970-01-01 UTC].
    free:
        Tells the bytes free beside a file.

    Raises
    ------
    InputError
        When the folder cannot be made.
    """

    def __init__(
        self,
        folder: Path,
        *,
        keep_hours: float,
        clock_s: Callable[[], float] = time.time,
        free: Callable[[Path], int] = free_space,
    ) -> None:
        self.dropped = 0
        """Messages that could not be kept for want of room."""
        self._folder = folder
        self._keep_s = keep_hours * S_PER_HOUR
        self._clock_s = clock_s
        self._free = free
        self._writer = CaptureWriter(folder)
        self._next_check_s = 0.0
        self._room = True

    def write(self, message: Message) -> None:
        """Add one message, or count it when there is no room."""
        if self._clock_s() >= self._next_check_s:
            self._next_check_s = self._clock_s() + CHECK_S
            self._tidy()
        if not self._room:
            self.dropped += 1
            return
        try:
            self._writer.write(message)
        except InputError as error:
            self._give_up(str(error))

    def close(self) -> None:
        """Write what is left, if it can be."""
        try:
            self._writer.close()
        except InputError as error:
            self._give_up(str(error))

    def _tidy(self) -> None:
        """Remove what is too old, then the oldest while there is too little room."""
        parts = sorted(part for part in self._folder.glob("*.parquet") if part.stem.isdigit())
        horizon_s = self._clock_s() - self._keep_s
        while parts and parts[0].stat().st_mtime < horizon_s:
            parts.pop(0).unlink()
        while parts and self._free(self._folder) < 2 * LEAST_FREE_BYTES:
            parts.pop(0).unlink()
        if not self._room and self._free(self._folder) >= 2 * LEAST_FREE_BYTES:
            _LOG.info("raw messages are kept again; %d were not", self.dropped)
            self._writer, self._room = CaptureWriter(self._folder), True

    def _give_up(self, why: str) -> None:
        """Stop keeping until there is room again."""
        _LOG.warning("raw messages are not kept for now: %s", why)
        self.dropped += self._writer.held
        self._room = False
