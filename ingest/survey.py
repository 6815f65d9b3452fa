"""What is in a capture: whose it is and how much, so that it can be replayed without a configuration."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import polars as pl
from polars.exceptions import PolarsError

from detect.errors import InputError
from ingest.capture import capture_files, is_parquet, scan_messages
from ingest.message_lines import read_message_lines

_DEVICE_TOPIC: Final = re.compile(
    r"(?P<root>.+)/(?P<parlor>[^/]+)/(?:stall/(?P<stall>[1-9][0-9]{0,3})|plant)/[a-z]+"
)


@dataclass(frozen=True, slots=True)
class Survey:
    """A capture at a glance.

    ``messages`` counts all of them; root, parlor and the highest stall are those of the parlor with
    the most; ``others`` names the other parlors; receive times are [ns], 0 in an empty capture.
    """

    messages: int
    root: str
    parlor: str
    stalls: int
    others: tuple[str, ...]
    first_recv_ns: int
    last_recv_ns: int


@dataclass(slots=True)
class _Tally:
    """Messages of a parlor and its highest stall."""

    messages: int = 0
    stalls: int = 0


def survey(path: Path) -> Survey:
    """Look through the topics of a capture, leaving its payloads alone.

    Parameters
    ----------
    path:
        A capture in any of its forms.

    Raises
    ------
    InputError
        When it cannot be read or holds no message of any parlor.
    """
    total, first_ns, last_ns = 0, 2**63 - 1, 0
    parlors: dict[tuple[str, str], _Tally] = {}
    for topic, messages, earliest_ns, latest_ns in _topics(path):
        total += messages
        first_ns, last_ns = min(first_ns, earliest_ns), max(last_ns, latest_ns)
        if match := _DEVICE_TOPIC.fullmatch(topic):
            tally = parlors.setdefault((match["root"], match["parlor"]), _Tally())
            tally.messages += messages
            tally.stalls = max(tally.stalls, int(match["stall"] or 0))
    if not parlors:
        raise InputError(f"no message of any parlor among {total}", where=str(path))
    largest, *others = sorted(parlors, key=lambda name: (-parlors[name].messages, name))
    return Survey(
        messages=total,
        root=largest[0],
        parlor=largest[1],
        stalls=max(1, parlors[largest].stalls),
        others=tuple(parlor for _, parlor in others),
        first_recv_ns=first_ns,
        last_recv_ns=last_ns,
    )


def _topics(path: Path) -> Iterator[tuple[str, int, int, int]]:
    """Return topics with their number of messages and the range of their receive times."""
    for file in capture_files(path):
        if is_parquet(file):
            yield from _parquet_topics(file)
        else:
            yield from ((m.topic, 1, m.recv_ns, m.recv_ns) for m in read_message_lines(file))


def _parquet_topics(file: Path) -> Iterator[tuple[str, int, int, int]]:
    topics = (
        scan_messages(file)
        .group_by("topic")
        .agg(messages=pl.len(), first=pl.col("recv_ns").min(), last=pl.col("recv_ns").max())
    )
    try:
        rows = topics.drop_nulls().collect()
    except (PolarsError, OSError) as error:
        raise InputError(f"cannot be read as a capture: {error}".splitlines()[0], where=str(file)) from error
    yield from rows.iter_rows()
