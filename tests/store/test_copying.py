"""A copy made while commits go on is one state of the history, whole and usable."""

from __future__ import annotations

import subprocess
import sys
import threading
from pathlib import Path

import pytest

from detect.errors import StoreError
from store.checks import digest
from store.copying import copy_history
from store.history import Batch, History
from store.shared_history import SharedHistory
from store.verify import verify
from tests.store.drawn import PARLOR, air_event, full_batch, rows


def test_a_copy_is_the_history(path: Path, tmp_path: Path) -> None:
    """Tables, watermarks and detector state are the same; the copy is one file, for its owner only."""
    with History.open(path) as history:
        history.commit(full_batch(3))
        copy = tmp_path / "copy.duckdb"
        copy_history(path, copy)
        with History.open(copy) as other:
            assert digest(other) == digest(history)
            assert other.watermarks(PARLOR) == history.watermarks(PARLOR)
            assert other.checkpoint(PARLOR) == history.checkpoint(PARLOR)
    assert copy.stat().st_mode & 0o077 == 0
    assert sorted(p.name for p in tmp_path.iterdir()) == ["copy.duckdb", "history.duckdb"]


def test_copies_made_while_commits_and_checkpoints_go_on_are_consistent(path: Path, tmp_path: Path) -> None:
    """Each copy holds the first so many commits, event for event, with the watermark of the last."""
    with SharedHistory.open(path) as history:
        done = threading.Event()

        def write() -> None:
            for number in range(100_000):
                batch = full_batch(number)
                history.commit(Batch(PARLOR, [air_event(number)], (), batch.watermarks, batch.checkpoint))
                if number % 50 == 0:
                    with history.held(), history.reader() as reader:
                        reader.execute("CHECKPOINT")
                if done.is_set():
                    return

        writer = threading.Thread(target=write)
        writer.start()
        try:
            for number in range(3):
                copy_history(path, tmp_path / f"{number}.duckdb", held=history.held)
        finally:
            done.set()
            writer.join()
    for number in range(3):
        copy = tmp_path / f"{number}.duckdb"
        assert verify(copy)["air_event"] > 0
        with History.open(copy, read_only=True) as history:
            [(count, newest)] = rows(history, "SELECT count(*), max(epoch_ns(start_at)) FROM air_event")
            [(seq,)] = rows(history, "SELECT seq FROM watermark")
            assert count == seq + 1
            assert newest == air_event(seq).start_ns


def test_a_history_keeps_its_lock_through_a_copy(path: Path, tmp_path: Path) -> None:
    """Copying takes nothing from the writer: another process still cannot open the file."""
    with History.open(path):
        copy_history(path, tmp_path / "copy.duckdb")
        script = f"import duckdb; duckdb.connect({str(path)!r})"
        command = [sys.executable, "-c", script]
        other = subprocess.run(command, capture_output=True, text=True, check=False)  # noqa: S603 - our script
    assert "Conflicting lock" in other.stderr


def test_what_cannot_be_copied_leaves_nothing(tmp_path: Path) -> None:
    """A missing source or one that is no history is a store error, without a half-made file."""
    junk = tmp_path / "junk.duckdb"
    junk.write_bytes(b"no database" * 5000)
    for source in (tmp_path / "none.duckdb", junk):
        with pytest.raises(StoreError, match="cannot be copied"):
            copy_history(source, tmp_path / "copy.duckdb")
    assert [p.name for p in tmp_path.iterdir()] == ["junk.duckdb"]


def test_a_copy_to_a_place_that_is_not_there_is_told(path: Path, tmp_path: Path) -> None:
    """The folder must exist."""
    History.open(path).close()
    with pytest.raises(StoreError, match="No such file"):
        copy_history(path, tmp_path / "nowhere" / "copy.duckdb")
