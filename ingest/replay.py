"""A capture through the same pipeline as the live messages, as fast as it goes."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from typing import Final

from ingest.pipeline import Pipeline
from ingest.wire import Message

BATCH_NS: Final = 60 * 10**9
"""Receive time in one commit [ns]: the fixed cost of a commit is spread over a minute (measured)."""
BATCH_MESSAGES: Final = 20_000
"""Most messages in one commit: the bound on memory (engineering choice)."""


def in_batches(
    messages: Iterable[Message], *, span_ns: int = BATCH_NS, most: int = BATCH_MESSAGES
) -> Iterator[list[Message]]:
    """Cut a record into batches by receive time and number.

    Parameters
    ----------
    messages:
        The record, in order.
    span_ns:
        Longest receive time in one batch [ns].
    most:
        Most messages in one batch.
    """
    batch: list[Message] = []
    for message in messages:
        if batch and (len(batch) >= most or message.recv_ns - batch[0].recv_ns >= span_ns):
            yield batch
            batch = []
        batch.append(message)
    if batch:
        yield batch


def replay(
    messages: Iterable[Message], pipeline: Pipeline, *, progress: Callable[[int], None] = lambda _: None
) -> int:
    """Read a record to its end and close what is open then.

    What was stored before, by an earlier replay that was stopped for instance, is known by its place
    and not stored again. Results are told by the pipeline's observers.

    Parameters
    ----------
    messages:
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
    for batch in in_batches(messages):
        pipeline.process(batch)
        done += len(batch)
        progress(done)
    pipeline.finish()
    return done
