"""What was heard of the parlor, and when: half of the word on the service's health."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import Final

from dashboards.matching import NS_PER_S
from detect.views import StallNow
from ingest.pipeline import Committed

SILENCE_S: Final = 30.0
"""Without data for so long the service is not healthy, and a stall is silent [s] (engineering choice)."""


class Heard:
    """Remember when data came, and whose vacuum is missing.

    Parameters
    ----------
    clock_ns:
        Wall clock [ns since 1970-01-01 UTC].
    """

    def __init__(self, clock_ns: Callable[[], int]) -> None:
        self._clock_ns = clock_ns
        self._since_ns = clock_ns()
        self._data_ns: int | None = None
        self._message_ns: int | None = None
        self._stalls: Sequence[StallNow] = ()

    def note(self, committed: Committed, stalls: Sequence[StallNow]) -> None:
        """Take in a durable batch and the stalls after it."""
        self._stalls = stalls
        if committed.messages:
            self._message_ns = committed.newest_recv_ns
        if committed.readings:
            self._data_ns = committed.newest_recv_ns

    def silent_stalls(self) -> list[int]:
        """Return the stalls whose vacuum has not been heard for a while, in the signal's own time.

        One of them may just be out of use, so they are no complaint as long as others are heard.
        """
        return [now.stall for now in self._stalls if now.silent_s > SILENCE_S]

    def complaints(self) -> Iterator[str]:
        """Yield what is wrong with what was heard, one sentence each."""
        if self._data_ns is None:
            yield f"no data yet, {self._ago_s(self._since_ns):.0f} s after the start"
        elif (silent_s := self._ago_s(self._data_ns)) > SILENCE_S:
            yield f"no data has been stored for {silent_s:.0f} s"
        elif self._stalls and len(self.silent_stalls()) == len(self._stalls):
            yield f"no stall's vacuum has been heard for {SILENCE_S:.0f} s"
        if self._refuses_all():
            yield "messages come, but none can be read: the table quarantine holds the reasons"

    def _refuses_all(self) -> bool:
        """Tell whether the newest message is one of a long time without any that could be read."""
        if self._message_ns is None or self._ago_s(self._message_ns) > SILENCE_S:
            return False
        return self._data_ns is None or self._ago_s(self._data_ns) > SILENCE_S

    def _ago_s(self, at_ns: int) -> float:
        return (self._clock_ns() - at_ns) / NS_PER_S
