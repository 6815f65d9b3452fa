"""The pure function under every engine: one capture file and what was carried to it, to rows and the rest.

It opens the same pipeline as a replay, on a ledger instead of a history. Whatever runs it, in whatever
order of parlors, the rows are the same; within a parlor the files must come in order.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from detect.errors import InputError
from ingest.capture import read_parts
from ingest.config import Config
from ingest.detector import make_detector
from ingest.messages import Messages
from ingest.pipeline import Pipeline, Start
from ingest.replay import in_pieces, read_through
from store.engine import Row
from store.fleet.ledger import Carried, Ledger

_BEGUN_ANEW: Final = "begun without what went before, which another detector or another parlor left"


@dataclass(frozen=True, slots=True)
class FileResult:
    """What one file came to.

    Attributes
    ----------
    rows:
        Told for good, by table.
    carried:
        What the next file has to know.
    messages:
        Messages read.
    fault:
        Why it could not be worked through whole; empty when it could.
    """

    rows: Mapping[str, list[Row]]
    carried: Carried
    messages: int
    fault: str


def detect_file(file: Path, carried: Carried, config: Config) -> FileResult:
    """Work through one capture file.

    What stands before a damaged place counts; the rest is missing, and what is missing is told as a gap
    by the frames that come after it.

    Parameters
    ----------
    file:
        A capture file in any of its forms.
    carried:
        From the file before; nothing at the beginning of the record.
    config:
        The parlor's settings.
    """
    ledger = Ledger(carried)
    pipeline = _pipeline(ledger, config)
    faults = [_BEGUN_ANEW] if pipeline.start is Start.RESET else []
    messages = 0
    for count in read_through(map(pipeline.decode, in_pieces(_readable(file, faults))), pipeline):
        messages += count
    pipeline.commit()
    return FileResult(ledger.rows(), ledger.carried(), messages, "; ".join(faults))


def end_record(carried: Carried, config: Config) -> dict[str, list[Row]]:
    """Return the rows of what is still open when nothing comes after it any more."""
    ledger = Ledger(carried)
    _pipeline(ledger, config).finish()
    rows = ledger.rows()
    for table, those in ledger.carried().open_rows().items():
        rows[table] += those
    return rows


def _pipeline(ledger: Ledger, config: Config) -> Pipeline:
    return Pipeline.open(history=ledger, detector=make_detector(config), decoder=config.decoder())


def _readable(file: Path, faults: list[str]) -> Iterator[Messages]:
    """Give the messages of a file as far as it can be read."""
    try:
        yield from read_parts(file)
    except InputError as error:
        faults.append(error.what)
