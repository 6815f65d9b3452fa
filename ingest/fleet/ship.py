"""Lay a capture into the folder of a fleet: one file an hour of receive time.

Shipping again is harmless: an hour is replaced only by one that holds more of it, so the hour that was
still going on the last time is completed and one whose beginning has rolled off is left alone.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import groupby
from pathlib import Path
from typing import Final

import polars as pl

from detect.errors import InputError
from ingest.capture import CaptureWriter, read_capture, scan_messages
from ingest.survey import survey
from ingest.wire import Message

HOUR_NS: Final = 3600 * 10**9


@dataclass(frozen=True, slots=True)
class Shipped:
    """What shipping came to: the parlor, files written, and hours left as they were."""

    parlor: str
    written: int
    left: int


def ship(capture: Path, captures: Path) -> Shipped:
    """Write a capture of one parlor as hours.

    Parameters
    ----------
    capture:
        A capture in any of its forms.
    captures:
        Folder of the fleet's captures.

    Raises
    ------
    InputError
        When the capture cannot be read or holds several parlors, or nothing can be written.
    """
    found = survey(capture)
    if found.others:
        raise InputError(
            f"holds several parlors: {found.parlor}, {', '.join(found.others)}", where=str(capture)
        )
    written = left = 0
    for hour, messages in hours(read_capture(capture)):
        moment = datetime.fromtimestamp(hour * 3600, UTC)
        if _write(captures / found.parlor / f"{moment:%Y-%m-%d}" / f"{moment:%H}.parquet", messages):
            written += 1
        else:
            left += 1
    return Shipped(found.parlor, written, left)


def hours(messages: Iterable[Message]) -> Iterator[tuple[int, Iterator[Message]]]:
    """Cut a record into hours since 1970; a clock that is set back stays in the hour it had reached."""
    reached = 0

    def hour_of(message: Message) -> int:
        nonlocal reached
        reached = max(reached, message.recv_ns // HOUR_NS)
        return reached

    yield from groupby(messages, key=hour_of)


def _write(path: Path, messages: Iterator[Message]) -> bool:
    """Write an hour if it holds more than what is there; tell whether it does."""
    path.parent.mkdir(parents=True, exist_ok=True)
    unfinished = path.with_name(f".{path.name}")
    unfinished.unlink(missing_ok=True)
    count = 0
    with CaptureWriter(unfinished) as writer:
        for count, message in enumerate(messages, start=1):  # noqa: B007 - counted for after the loop
            writer.write(message)
    if path.exists() and _messages(path) >= count:
        unfinished.unlink()
        return False
    unfinished.replace(path)
    return True


def _messages(path: Path) -> int:
    """Return how many messages a file holds; none when it is damaged."""
    try:
        return int(scan_messages(path).select(pl.len()).collect().item())
    except InputError:
        return 0
