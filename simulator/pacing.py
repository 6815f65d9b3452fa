"""Real time for a record: hold every message back until its instant has come."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator

from ingest.wire import Message


def pace(
    messages: Iterable[Message], *, speed: float, clock: Callable[[], float], sleep: Callable[[float], None]
) -> Iterator[Message]:
    """Yield messages as they would arrive, ``speed`` times faster than life.

    Parameters
    ----------
    messages
        Messages in order of arrival.
    speed
        Seconds of the record a second of ``clock``, above 0.
    clock, sleep
        A steady clock [s] and a way to wait [s], such as ``time.monotonic`` and ``time.sleep``.

    Raises
    ------
    ValueError
        If the speed is not positive.
    """
    if not speed > 0.0:
        raise ValueError(f"speed {speed} is not positive")
    first_ns: int | None = None
    begun = 0.0
    for message in messages:
        if first_ns is None:
            first_ns, begun = message.recv_ns, clock()
        wait = begun + (message.recv_ns - first_ns) / 1e9 / speed - clock()
        if wait > 0.0:
            sleep(wait)
        yield message
