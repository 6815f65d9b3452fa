"""A wall clock that a test sets."""

from __future__ import annotations

from typing import Final

S: Final = 1_000_000_000
START_NS: Final = 1_000 * S


class Clock:
    """A wall clock set by the test [ns]."""

    now_ns = START_NS

    def __call__(self) -> int:
        """Tell the time."""
        return self.now_ns
