"""Commits leave no memory behind that grows with their number."""

from __future__ import annotations

import ctypes
from collections.abc import Iterator
from pathlib import Path

from detect.checkpoint import Checkpoint
from store.batch import Batch, Watermark
from store.engine import SERVICE_SETTINGS
from store.history import History
from tests.store.drawn import PARLOR

STALLS = 80
COMMITS = 100
MOST_KB = 4.0
"""For each commit: with joins in the statements it was 20 (measured)."""


class Malloc(ctypes.Structure):
    """What the C library tells of its heap (``mallinfo2`` of glibc, from memory)."""

    _fields_ = [(f"f{number}", ctypes.c_size_t) for number in range(10)]

    @classmethod
    def used_kb(cls) -> float:
        """Return what is handed out [kB]."""
        library = ctypes.CDLL(None)
        library.mallinfo2.restype = cls
        return float(library.mallinfo2().f7) / 1024


def batches() -> Iterator[Batch]:
    """Yield batches that move every stall's place and state, as a service's do."""
    for number in range(2 * COMMITS):
        marks = {f"milking/{PARLOR}/stall/{s}/vacuum": Watermark("b", number, number) for s in range(STALLS)}
        blobs = {stall: b"%d of %d" % (number, stall) * 300 for stall in range(STALLS)}
        yield Batch(PARLOR, watermarks=marks, checkpoint=Checkpoint(version=1, digest="d", blobs=blobs))


def test_commits_leave_nothing_behind(tmp_path: Path) -> None:
    """After the first hundred commits the next hundred take next to nothing more of the heap."""
    coming = batches()
    with History.open(tmp_path / "h.duckdb", settings=SERVICE_SETTINGS) as history:
        for _ in range(COMMITS):
            history.commit(next(coming))
        before_kb = Malloc.used_kb()
        for batch in coming:
            history.commit(batch)
        grown_kb = Malloc.used_kb() - before_kb
    assert grown_kb / COMMITS < MOST_KB
