"""A history that the pipeline commits to while a person notes maintenance from another thread."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import duckdb

from store.batch import Batch
from store.history import History


class SharedHistory(History):
    """A history whose writers wait for each other; readers never wait."""

    def __init__(self, *arguments: Any, **options: Any) -> None:
        super().__init__(*arguments, **options)
        self._writing = threading.RLock()
        self.told: Callable[[float], None] = lambda _: None
        """Told how long each commit took [s]."""

    @contextmanager
    def held(self) -> Iterator[None]:
        """Keep everybody from writing for as long as the block lasts."""
        with self._writing:
            yield

    @contextmanager
    def transaction(self) -> Iterator[duckdb.DuckDBPyConnection]:
        """Give the writing connection within one transaction, when nobody else writes."""
        with self._writing, super().transaction() as connection:
            yield connection

    def commit(self, batch: Batch) -> None:
        """Make a batch durable, all of it or nothing, when nobody else writes."""
        with self._writing:
            began_s = time.perf_counter()
            super().commit(batch)
            self.told(time.perf_counter() - began_s)
