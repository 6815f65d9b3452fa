"""Work that goes on in threads of its own for as long as a block lasts."""

from __future__ import annotations

import threading
from collections.abc import Callable
from types import TracebackType
from typing import Self


class Meanwhile:
    """Start the works at a block's beginning; at its end tell them by ``over`` to stop, and wait for them.

    Parameters
    ----------
    works:
        Each runs in a thread of its own until ``over`` is set.
    """

    def __init__(self, *works: Callable[[], None]) -> None:
        self.over = threading.Event()
        self._threads = [threading.Thread(target=work) for work in works]

    def __enter__(self) -> Self:
        for thread in self._threads:
            thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.over.set()
        for thread in self._threads:
            thread.join()
