"""A capture through the same pipeline as the live messages, as fast as it goes."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import Final, TypeVar

import numpy as np

from ingest.messages import Messages
from ingest.pipeline import Pipeline

BATCH_NS: Final = 120 * 10**9
"""Receive time in one commit [ns]: the fixed cost of a commit is spread over two minutes (measured)."""
BATCH_MESSAGES: Final = 50_000
"""Most messages in one commit: the bound on memory (engineering choice)."""
T = TypeVar("T")


def in_batches(
    parts: Iterable[Messages], *, span_ns: int = BATCH_NS, most: int = BATCH_MESSAGES
) -> Iterator[Messages]:
    """Cut a record into batches by receive time and number.

    Parameters
    ----------
    parts:
        The record, in order.
    span_ns:
        Longest receive time in one batch [ns].
    most:
        Most messages in one batch.
    """
    rest = Messages.of(())
    for part in parts:
        rest = rest + part if len(rest) else part
        while (stop := _stop(rest, span_ns, most)) < len(rest):
            yield rest[:stop]
            rest = rest[stop:]
    if len(rest):
        yield rest


def _stop(messages: Messages, span_ns: int, most: int) -> int:
    """Return how many messages the first batch takes; all of them when it may take more."""
    first = messages.recv_ns[: most + 1]
    late = np.flatnonzero(first - first[:1] >= span_ns)
    return min(most, int(late[0]) if late.size else len(messages))


def one_ahead(items: Iterable[T]) -> Iterator[T]:
    """Give items as they come, while a thread makes the next one: where there are two cores, use both."""
    source = iter(items)
    with ThreadPoolExecutor(1) as pool:
        coming = pool.submit(next, source, None)
        while (item := coming.result()) is not None:
            coming = pool.submit(next, source, None)
            yield item


def replay(
    parts: Iterable[Messages], pipeline: Pipeline, *, progress: Callable[[int], None] = lambda _: None
) -> int:
    """Read a record to its end and close what is open then.

    What was stored before, by an earlier replay that was stopped for instance, is known by its place
    and not stored again. Results are told by the pipeline's observers.

    Parameters
    ----------
    parts:
        The record, in order.
    pipeline:
        An opened pipeline of the record's parlor.
    progress:
        Called after each commit with the number of messages read so far.

    Returns
    -------
    int
        The number of messages read.

    Raises
    ------
    InputError
        When the record cannot be read on; what was read until then is stored.
    StoreError
        When a batch cannot be stored.
    """
    done = 0
    for batch in one_ahead(map(pipeline.decode, in_batches(parts))):
        pipeline.take(batch)
        done += len(batch)
        progress(done)
    pipeline.finish()
    return done
