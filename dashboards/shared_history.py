"""A history that the pipeline commits to while a person notes maintenance from another thread."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence
from typing import Any

from store.batch import Batch
from store.history import History


class SharedHistory(History):
    """A history whose two kinds of writing wait for each other; readers never wait."""

    def __init__(self, *arguments: Any, **options: Any) -> None:
        super().__init__(*arguments, **options)
        self._writing = threading.Lock()
        self.told: Callable[[float], None] = lambda _: None
        """Told how long each commit took [s]."""

    def commit(self, batch: Batch) -> None:
        """Make a batch durable, all of it or nothing, when nobody else writes."""
        with self._writing:
            began_s = time.perf_counter()
            super().commit(batch)
            self.told(time.perf_counter() - began_s)

    def add_maintenance(
        self, *, at_ns: int, stalls: Sequence[int] | None, what: str, note: str | None = None
    ) -> None:
        """Note work done by people, when nobody else writes."""
        with self._writing:
            super().add_maintenance(at_ns=at_ns, stalls=stalls, what=what, note=note)
