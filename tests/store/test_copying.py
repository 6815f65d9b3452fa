"""A copy made while commits go on is one state of the history, whole and usable."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from threading import get_native_id

import pytest

from detect.errors import DiskError, StoreError
from store.checks import digest
from store.copying import copy_history
from store.history import Batch, History
from store.log_copy import log_path
from store.shared_history import SharedHistory
from store.verify import verify
from tests.disk import file_limit
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


class Holding:
    """Holds a writer, keeps what was there each time, and does something to it meanwhile."""

    def __init__(self, meanwhile: Callable[[int], None]) -> None:
        self.meanwhile = meanwhile
        self.times = self.inside = 0

    @contextmanager
    def held(self) -> Iterator[None]:
        """Be held once more."""
        self.times, self.inside = self.times + 1, self.inside + 1
        self.meanwhile(self.times)
        yield
        self.inside -= 1


def unfinished(copy: Path) -> Path:
    """Return where a copy lies until it is complete."""
    return copy.with_name(f".{copy.name}.unfinished")


def test_the_writer_is_held_for_the_log_alone(path: Path, tmp_path: Path) -> None:
    """The file is copied by then, under another name; the log is not, and what it says by then is in."""
    copy, seen = tmp_path / "copy.duckdb", []
    with History.open(path) as history:

        def look(_: int) -> None:
            half = unfinished(copy)
            seen.append((half.stat().st_size == path.stat().st_size, copy.exists()))
            seen.append((log_path(half).exists(), half.stat().st_mode & 0o077 != 0))
            history.commit(full_batch(7))

        holding = Holding(look)
        copy_history(path, copy, held=holding.held)
        assert (holding.times, holding.inside) == (1, 0)
        assert seen == [(True, False), (False, False)]
        with History.open(copy, read_only=True) as other:
            assert digest(other) == digest(history)


@pytest.mark.parametrize(("checkpoints", "times"), [(1, 2), (9, 3)])
def test_a_checkpoint_under_the_copy_begins_it_anew(
    path: Path, tmp_path: Path, checkpoints: int, times: int
) -> None:
    """Twice it may: the third attempt holds the writer from before it begins, and is whole."""
    copy = tmp_path / "copy.duckdb"
    with History.open(path) as history:
        history.commit(full_batch(0))

        def fold(time: int) -> None:
            history.commit(full_batch(time))
            if time <= checkpoints:
                with history.reader() as reader:
                    reader.execute("CHECKPOINT")

        holding = Holding(fold)
        copy_history(path, copy, held=holding.held)
        assert (holding.times, holding.inside) == (times, 0)
        with History.open(copy, read_only=True) as other:
            assert digest(other) == digest(history)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["copy.duckdb", "history.duckdb"]


def test_what_a_killed_copy_left_is_no_hindrance(path: Path, tmp_path: Path) -> None:
    """Neither its file nor its log; a copy of before is replaced."""
    copy = tmp_path / "copy.duckdb"
    with History.open(path) as history:
        for leftover in (unfinished(copy), log_path(unfinished(copy)), copy):
            leftover.write_bytes(b"of another day")
        copy_history(path, copy)
        with History.open(copy, read_only=True) as other:
            assert digest(other) == digest(history)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["copy.duckdb", "history.duckdb"]


def test_a_copy_of_before_stays_when_a_new_one_fails(tmp_path: Path) -> None:
    """It is replaced by a complete one or not at all."""
    junk, copy = tmp_path / "junk.duckdb", tmp_path / "copy.duckdb"
    junk.write_bytes(b"no database" * 5000)
    copy.write_bytes(b"of another day")
    with pytest.raises(StoreError, match=r"cannot be copied: .*not a quietclaw history"):
        copy_history(junk, copy)
    assert copy.read_bytes() == b"of another day"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["copy.duckdb", "junk.duckdb"]


def test_a_process_that_is_killed_while_it_copies_is_told(path: Path, tmp_path: Path) -> None:
    """Its end is an error of the store that says how it ended, and nothing is left of it."""
    History.open(path).close()

    def kill(_: int) -> None:
        children = Path(f"/proc/self/task/{get_native_id()}/children").read_text().split()
        words = {int(pid): Path(f"/proc/{pid}/cmdline").read_text() for pid in children}
        (child,) = (pid for pid, line in words.items() if str(path) in line)
        os.kill(child, signal.SIGKILL)
        os.waitid(os.P_PID, child, os.WEXITED | os.WNOWAIT)

    with pytest.raises(StoreError, match="ended with -9"):
        copy_history(path, tmp_path / "copy.duckdb", held=Holding(kill).held)
    assert [p.name for p in tmp_path.iterdir()] == ["history.duckdb"]


def test_no_room_for_a_copy_is_the_disk_s_fault(path: Path, tmp_path: Path) -> None:
    """It may heal, and is told apart from a history that cannot be copied."""
    History.open(path).close()
    with file_limit(20_000), pytest.raises(DiskError, match=r"cannot be copied: .*File too large"):
        copy_history(path, tmp_path / "copy.duckdb")
    assert [p.name for p in tmp_path.iterdir()] == ["history.duckdb"]
