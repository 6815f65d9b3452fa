"""Is a history file whole: can every value be read, and is nothing stored twice."""

from __future__ import annotations

from pathlib import Path

import duckdb

from detect.errors import StoreError
from store.checks import digest, duplicates
from store.engine import numbers
from store.faults import fault
from store.history import History
from store.schema import CONTRACT_TABLES


def verify(path: Path) -> dict[str, int]:
    """Read all of a history and return its rows by table.

    Raises
    ------
    StoreError
        When it cannot be read to its end, or a row stands twice.
    """
    with History.open(path, read_only=True) as history:
        try:
            digest(history)
            reader = history.reader()
            counts = {t.name: numbers(reader, f"SELECT count(*) FROM {t.name}")[0] for t in CONTRACT_TABLES}  # noqa: S608
            reader.close()
        except duckdb.Error as error:
            raise fault(error, path, "read") from error
        if twice := duplicates(history):
            raise StoreError(f"rows stand twice: {twice}", where=str(path))
    return counts
