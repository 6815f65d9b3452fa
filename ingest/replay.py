"""A capture through the same pipeline as the live messages, as fast as it goes."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import Final, TypeVar

from detect.errors import InputError
from ingest.messages import Messages
from ingest.pipeline import Pipeline
from ingest.usual import Decoded

PIECE_MESSAGES: Final = 10_000
"""Messages read at once, half a minute of eighty stalls: the next take their memory (measured)."""
COMMIT_NS: Final = 900 * 10**9
"""Receive time in one commit [ns], by which its fixed cost is spread over a quarter of an hour (measured)."""
COMMIT_MESSAGES: Final = 300_000
"""Most messages in one commit, but for a piece: the bound on memory (engineering choice)."""
COMMIT_REFUSED: Final = 1_000
"""Refused messages that wait for a commit at most, but for those of a piece (engineering choice)."""
T = TypeVar("T")


def in_pieces(parts: Iterable[Messages], *, most: int = PIECE_MESSAGES) -> Iterator[Messages]:
    """Cut a record into pieces of so many messages at most."""
    for part in parts:
        for at in range(0, len(part), most):
            yield part[at : at + most]


def one_ahead(items: Iterable[T]) -> Iterator[T]:
    """Give items as they come, while a thread makes the next one: where there are two cores, use both."""
    source = iter(items)
    with ThreadPoolExecutor(1) as pool:
        coming = pool.submit(next, source, None)
        while (item := coming.result()) is not None:
            coming = pool.submit(next, source, None)
            yield item


def read_through(pieces: Iterable[Decoded], pipeline: Pipeline) -> Iterator[int]:
    """Let a pipeline read a record piece by piece, with a commit now and then; the last is the caller's.

    Parameters
    ----------
    pieces:
        The record, decoded by the pipeline's decoder.
    pipeline:
        An opened pipeline of the record's parlor.

    Yields
    ------
    int
        The number of messages in each piece, once it is read.

    Raises
    ------
    StoreError
        When a commit fails.
    """
    begun_ns = 0
    for piece in pieces:
        recv_ns = piece.messages.recv_ns
        begun_ns = begun_ns if pipeline.pending else int(recv_ns[0])
        pipeline.read(piece)
        long = int(recv_ns[-1]) - begun_ns >= COMMIT_NS
        if long or pipeline.pending >= COMMIT_MESSAGES or pipeline.refused >= COMMIT_REFUSED:
            pipeline.commit()
        yield len(piece)


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
        Called now and then with the number of messages read so far, not all of which may be stored yet.

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
    try:
        for count in read_through(one_ahead(map(pipeline.decode, in_pieces(parts))), pipeline):
            done += count
            progress(done)
    except InputError:
        pipeline.commit()
        raise
    pipeline.finish()
    return done
