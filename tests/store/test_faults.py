"""A disk that is full is told apart, keeps what was committed, and heals without hands."""

from __future__ import annotations

import random
from pathlib import Path

import duckdb
import pytest

from detect.errors import DiskError, StoreError
from store.batch import Batch
from store.checks import digest
from store.engine import StoreSettings
from store.faults import fault
from store.history import History
from store.log_copy import log_path
from tests.disk import file_limit
from tests.store.drawn import PARLOR, T0_NS, Quarantined, full_batch, rows

TIDY_OFTEN = StoreSettings(checkpoint_threshold_mb=1)


def fill(history: History, stored: list[int]) -> None:
    """Commit batches of 200 kB that hardly shrink, and keep the number of each one stored."""
    for number in range(100):
        noise = random.Random(number).randbytes(200_000)
        refused = [Quarantined(T0_NS, f"t/{n}", noise[n * 4000 :], "no JSON") for n in range(50)]
        history.commit(Batch(PARLOR, quarantined=refused))
        stored.append(number)


def test_a_log_that_cannot_grow_undoes_the_batch_and_nothing_else(path: Path) -> None:
    """The commit fails as a disk error; what was stored is there, and with space it goes on."""
    with History.open(path) as history:
        history.commit(full_batch(1))
        before = digest(history)
        with (
            file_limit(log_path(path).stat().st_size + 100),
            pytest.raises(DiskError, match="all that was acknowledged is safe"),
        ):
            history.commit(full_batch(2))
    with History.open(path) as history:
        assert digest(history) == before
        history.commit(full_batch(2))
        assert rows(history, "SELECT seq FROM watermark") == [(2,)]


def test_a_checkpoint_that_cannot_grow_keeps_the_durable_batch(path: Path) -> None:
    """The engine gives the file up after a durable commit: opened again, that commit is there once."""
    stored: list[int] = []
    with History.open(path, settings=TIDY_OFTEN) as history:
        history.commit(full_batch(1))
        limit = path.stat().st_size + 3_000_000
        with file_limit(limit), pytest.raises(DiskError, match="stored, but not tidied up"):
            fill(history, stored)
    with History.open(path, settings=TIDY_OFTEN) as history:
        [(count,)] = rows(history, "SELECT count(*) FROM quarantine WHERE topic LIKE 't/%'")
        assert count == 50 * (len(stored) + 1)
        history.commit(full_batch(2))
        assert rows(history, "SELECT seq FROM watermark") == [(2,)]


@pytest.mark.source("DuckDB 2.0.1 and errno texts of Linux, seen on a full and on a read-only tmpfs")
@pytest.mark.parametrize(
    ("message", "kind", "said"),
    [
        ("IO Error: Could not write file x: No space left on device", DiskError, "disk is full"),
        ("IO Error: Cannot open file x: Read-only file system", DiskError, "read-only"),
        ("IO Error: Could not read x: Input/output error", DiskError, "disk fails"),
        ("IO Error: Corrupt database file: computed checksum 1", StoreError, "newest backup"),
        ("Catalog Error: table does not exist", StoreError, "cannot be written: Catalog Error"),
    ],
)
def test_messages_of_the_system_become_advice(message: str, kind: type[StoreError], said: str) -> None:
    """A disk's fault may heal and is told apart; a damaged file needs a backup."""
    error = fault(duckdb.Error(message), Path("x"), "written")
    assert type(error) is kind
    assert said in str(error)
