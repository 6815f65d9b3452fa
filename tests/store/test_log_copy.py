"""Damage to the write-ahead log costs nothing that was committed."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from detect.errors import DiskError, StoreError
from store.checks import digest
from store.engine import StoreSettings, connect
from store.history import History
from store.log_copy import copy_path, log_is_sound, log_path
from store.salvage import cut_log, restore_log
from tests.store.drawn import PARLOR, full_batch, rows

COMMITS = 6
Damage = Callable[[bytes], bytes]


@pytest.fixture(scope="module")
def killed(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, str]]:
    """Leave a history as a killed service leaves it, and the digests of what it had committed."""
    path = tmp_path_factory.mktemp("killed") / "live.duckdb"
    with History.open(path) as history:
        for number in range(COMMITS):
            history.commit(full_batch(number))
        folder = shutil.copytree(path.parent, path.parent.with_name("left"))
        return folder / path.name, digest(history)


def opened_again(left: Path, folder: Path, damage: Damage) -> tuple[dict[str, str], list[str]]:
    """Damage the log, open the history, and return digests without the incidents, and those."""
    path = shutil.copytree(left.parent, folder, dirs_exist_ok=True) / left.name
    log_path(path).write_bytes(damage(log_path(path).read_bytes()))
    with History.open(path) as history:
        assert history.watermarks(PARLOR)["milking/willowmere/stall/1/vacuum"].seq == COMMITS - 1
        history.commit(full_batch(COMMITS))
        incidents = [str(row[0]) for row in rows(history, "SELECT what FROM incident")]
        with history.transaction() as connection:
            connection.execute("DELETE FROM incident")
    with History.open(path, read_only=True) as history:
        return digest(history), incidents


def flipped(position: int) -> Damage:
    """Return a damage that turns over all bits of one byte."""
    return lambda log: log[:position] + bytes([log[position] ^ 0xFF]) + log[position + 1 :]


@pytest.mark.parametrize(
    "damage",
    [
        lambda log: log[: len(log) // 2],
        lambda log: log[:-1],
        lambda log: log[:3],
        lambda _: b"",
        lambda log: log[: len(log) // 2] + bytes(len(log) - len(log) // 2),
        lambda log: log[:-4096] + bytes(4096),
        lambda log: bytes(len(log)),
        flipped(0),
        flipped(5),
        flipped(60),
    ],
    ids=["half", "last byte", "stub", "empty", "zero half", "zero tail", "zeros", "head", "id", "entry"],
)
def test_a_damaged_log_loses_no_commit(
    killed: tuple[Path, dict[str, str]], tmp_path: Path, damage: Damage
) -> None:
    """Truncated, zeroed or flipped: all that was committed is there, and what was done is noted."""
    left, _ = killed
    sound, nothing = opened_again(left, tmp_path / "sound", lambda log: log)
    repaired, incidents = opened_again(left, tmp_path / "damaged", damage)
    assert repaired == sound
    assert (nothing, incidents) == ([], ["log_restored"])
    assert (tmp_path / "damaged" / f"{left.name}.damaged" / "1" / f"{left.name}.wal").exists()


@settings(max_examples=25, deadline=None)
@given(share=st.floats(0.0, 0.999), bits=st.integers(1, 255))
def test_a_flipped_byte_anywhere_loses_no_commit(
    killed: tuple[Path, dict[str, str]],
    tmp_path_factory: pytest.TempPathFactory,
    *,
    share: float,
    bits: int,
) -> None:
    """Wherever the byte lies, in a length, a checksum or a value, every commit is there."""
    left, expected = killed
    path = shutil.copytree(left.parent, tmp_path_factory.mktemp("flip"), dirs_exist_ok=True) / left.name
    log = bytearray(log_path(path).read_bytes())
    log[int(share * len(log))] ^= bits
    log_path(path).write_bytes(log)
    with History.open(path) as history:
        assert {**digest(history), "incident": ""} == {**expected, "incident": ""}
        assert rows(history, "SELECT what FROM incident") == [("log_restored",)]


@pytest.mark.parametrize("tail", [b"", bytes(4096), b"\xa5" * 500], ids=["nothing", "zeros", "garbage"])
def test_a_torn_tail_is_the_unfinished_commit_only(
    killed: tuple[Path, dict[str, str]], tmp_path: Path, tail: bytes
) -> None:
    """What a crash leaves behind the last acknowledged commit does not stand in the way."""
    left, _ = killed
    sound, _ = opened_again(left, tmp_path / "sound", lambda log: log)
    torn, _ = opened_again(left, tmp_path / "torn", lambda log: log + tail)
    assert torn == sound


def test_without_a_copy_the_log_is_cut_where_it_breaks(
    killed: tuple[Path, dict[str, str]], tmp_path: Path
) -> None:
    """A zero tail without a copy ends the history at the last sound commit instead of at the door."""
    left, _ = killed
    path = shutil.copytree(left.parent, tmp_path / "bare", dirs_exist_ok=True) / left.name
    copy_path(path).unlink()
    log = log_path(path).read_bytes()
    log_path(path).write_bytes(log[: len(log) // 2] + bytes(len(log) // 2))
    with History.open(path) as history:
        [(what, detail)] = rows(history, "SELECT what, detail FROM incident")
        assert history.watermarks(PARLOR)["milking/willowmere/stall/1/vacuum"].seq < COMMITS - 1
    assert what == "log_cut"
    assert re.match(rf"the log was kept up to byte \d+, .* is in .*{path.name}\.damaged", detail)


def test_the_copy_follows_through_checkpoints(path: Path) -> None:
    """After each commit, with or without a checkpoint, log and copy agree; a clean end leaves neither."""
    with History.open(path) as history:
        for number in range(6):
            history.commit(full_batch(number))
            if number % 2:
                with history.reader() as reader:
                    reader.execute("CHECKPOINT")
            assert log_is_sound(path)
        assert copy_path(path).stat().st_size > 0
    assert not log_path(path).exists()
    assert not copy_path(path).exists()


def test_a_copy_of_an_earlier_checkpoint_is_no_news(
    killed: tuple[Path, dict[str, str]], tmp_path: Path
) -> None:
    """A copy left from before a checkpoint does not bring old entries back."""
    left, expected = killed
    path = shutil.copytree(left.parent, tmp_path / "later", dirs_exist_ok=True) / left.name
    old = copy_path(path).read_bytes()
    with History.open(path):
        pass
    copy_path(path).write_bytes(old)
    with History.open(path) as history:
        assert digest(history) == expected


def test_each_damage_is_put_aside_on_its_own(killed: tuple[Path, dict[str, str]], tmp_path: Path) -> None:
    """A log that is damaged again lies beside the first one, which is not overwritten."""
    left, _ = killed
    path = shutil.copytree(left.parent, tmp_path / "twice", dirs_exist_ok=True) / left.name
    logs = (log_path(path).read_bytes(), copy_path(path).read_bytes())
    broken = [logs[0][:size] for size in (100, 200, 300)]
    for damaged in broken:
        log_path(path).write_bytes(damaged)
        assert restore_log(path) is not None
        assert log_path(path).read_bytes() == logs[0]
    shelf = path.with_name(f"{path.name}.damaged")
    assert sorted(folder.name for folder in shelf.iterdir()) == ["1", "2", "3"]
    assert [(shelf / str(n) / log_path(path).name).read_bytes() for n in (1, 2, 3)] == broken
    assert (shelf / "1" / copy_path(path).name).read_bytes() == logs[1]


def test_what_another_process_writes_is_left_alone(
    killed: tuple[Path, dict[str, str]], tmp_path: Path
) -> None:
    """While somebody else has the history nothing is restored, however log and copy differ."""
    left, _ = killed
    path = shutil.copytree(left.parent, tmp_path / "used", dirs_exist_ok=True) / left.name
    script = "import duckdb, sys; c = duckdb.connect(sys.argv[1]); print('open', flush=True); input()"
    pipe, command = subprocess.PIPE, [sys.executable, "-c", script, str(path)]
    with subprocess.Popen(command, stdin=pipe, stdout=pipe, text=True) as other:  # noqa: S603 - our script
        assert other.stdout is not None
        assert other.stdout.readline() == "open\n"
        log_path(path).write_bytes(b"")
        assert restore_log(path) is None
        assert log_path(path).read_bytes() == b""
        other.communicate()
    assert not path.with_name(f"{path.name}.damaged").exists()


def test_an_error_that_is_not_about_the_log_stays_what_it_was(path: Path) -> None:
    """Nothing is cut or put aside because the file is no history."""
    path.write_bytes(b"no database" * 500)
    log_path(path).write_bytes(b"whatever")
    refused = StoreError("no database", where=str(path))
    with pytest.raises(StoreError) as raised:
        cut_log(path, refused)
    assert raised.value is refused
    assert log_path(path).read_bytes() == b"whatever"
    assert sorted(p.name for p in path.parent.iterdir()) == [path.name, log_path(path).name]


def test_a_log_that_needs_more_memory_than_we_may_take_is_no_damaged_one(
    killed: tuple[Path, dict[str, str]], tmp_path: Path
) -> None:
    """It is replayed with more room once, whole, and the history goes on within its own limit."""
    left, expected = killed
    path = shutil.copytree(left.parent, tmp_path / "narrow", dirs_exist_ok=True) / left.name
    narrow = StoreSettings(threads=1, memory_limit_mb=2)
    with pytest.raises(StoreError, match="replaying WAL"):
        connect(path, narrow, read_only=False)
    with History.open(path, settings=narrow) as history:
        [(limit,)] = rows(history, "SELECT current_setting('memory_limit')")
        assert limit == "1.9 MiB"
    with History.open(path, read_only=True) as history:
        assert digest(history) == expected
    assert not path.with_name(f"{path.name}.damaged").exists()


def test_what_was_restored_is_noted_although_memory_was_short_too(
    killed: tuple[Path, dict[str, str]], tmp_path: Path
) -> None:
    """One trouble does not hide the other."""
    left, _ = killed
    path = shutil.copytree(left.parent, tmp_path / "both", dirs_exist_ok=True) / left.name
    log_path(path).write_bytes(flipped(60)(log_path(path).read_bytes()))
    with History.open(path, settings=StoreSettings(threads=1, memory_limit_mb=2)):
        pass
    with History.open(path, read_only=True) as history:
        assert rows(history, "SELECT what FROM incident") == [("log_restored",)]


@pytest.mark.parametrize(
    ("error", "cut"),
    [
        (StoreError("Failure while replaying WAL file: Corrupt WAL file", where="x"), True),
        (
            StoreError("Failure while replaying WAL file: failed to pin block of size 256.0 KiB", where="x"),
            False,
        ),
        (StoreError("Out of Memory Error: Failure while replaying WAL file", where="x"), False),
        (DiskError("Failure while replaying WAL file", where="x"), False),
    ],
)
def test_a_log_that_may_be_sound_is_not_cut(
    killed: tuple[Path, dict[str, str]], tmp_path: Path, error: StoreError, *, cut: bool
) -> None:
    """Where memory or disk did not suffice to replay it, everything stays as it is for the next attempt."""
    left, _ = killed
    path = shutil.copytree(left.parent, tmp_path / "waits", dirs_exist_ok=True) / left.name
    if cut:
        assert cut_log(path, error).what.value == "log_cut"
    else:
        with pytest.raises(StoreError) as raised:
            cut_log(path, error)
        assert raised.value is error
    assert log_path(path).exists() != cut
    assert path.with_name(f"{path.name}.damaged").exists() == cut


def test_a_copy_that_cannot_be_written_holds_no_commit_up(path: Path) -> None:
    """Commits go on without the copy, and the next checkpoint begins it anew."""

    def folded(history: History) -> None:
        with history.reader() as reader:
            reader.execute("CHECKPOINT")

    with History.open(path) as history:
        history.commit(full_batch(0))
        folded(history)
        copy_path(path).unlink()
        copy_path(path).mkdir()
        for number in (1, 2):
            history.commit(full_batch(number))
        assert history.watermarks(PARLOR)["milking/willowmere/stall/1/vacuum"].seq == 2
        copy_path(path).rmdir()
        folded(history)
        history.commit(full_batch(3))
        assert copy_path(path).stat().st_size > log_path(path).stat().st_size > 0
        assert log_is_sound(path)


def test_no_room_for_the_damaged_log_is_the_disk_s_fault(
    killed: tuple[Path, dict[str, str]], tmp_path: Path
) -> None:
    """A log that cannot be put aside is not touched, with or without a copy, and may heal while we wait."""
    left, _ = killed
    path = shutil.copytree(left.parent, tmp_path / "full", dirs_exist_ok=True) / left.name
    path.with_name(f"{path.name}.damaged").write_bytes(b"in the way")
    log_path(path).write_bytes(b"")
    with pytest.raises(DiskError, match="cannot be put aside"):
        restore_log(path)
    with pytest.raises(DiskError, match="cannot be put aside"):
        cut_log(path, StoreError("Failure while replaying WAL file", where=str(path)))
    assert log_path(path).read_bytes() == b""
