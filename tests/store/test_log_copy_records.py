"""The copy of a log beside plain files: what is appended, when it begins anew, what of it is believed."""

from __future__ import annotations

import zlib
from collections.abc import Iterator
from contextlib import suppress
from hashlib import sha256
from pathlib import Path

import pytest

from store.log_copy import LogCopy, copy_path, log_is_sound, log_path, write_from_copy
from tests.disk import file_limit

HEADERS = 3 * 4096
MAGIC = b"quietclaw log copy 1\n"
ENTRIES = [b"first entry", b"second", b"and a third one"]


def write_headers(path: Path, checkpoint: int) -> None:
    """Write a file whose headers are those of a checkpoint, with blocks behind them that may change."""
    path.write_bytes(bytes([checkpoint]) * HEADERS + b"blocks")


@pytest.fixture
def file(tmp_path: Path) -> Path:
    """Return a history at its first checkpoint, without a log."""
    path = tmp_path / "history.duckdb"
    write_headers(path, 1)
    return path


@pytest.fixture
def copy(file: Path) -> Iterator[LogCopy]:
    """Follow its log."""
    made = LogCopy(file)
    yield made
    made.close()


def grow(path: Path, entry: bytes) -> None:
    """Let the log gain an entry."""
    with log_path(path).open("ab") as log:
        log.write(entry)


def head(checkpoint: int) -> bytes:
    """Return how a copy begins."""
    return MAGIC + sha256(bytes([checkpoint]) * HEADERS).digest()


def record(entry: bytes) -> bytes:
    """Return a stretch of the log as it stands in the copy."""
    return len(entry).to_bytes(4, "little") + zlib.crc32(entry).to_bytes(4, "little") + entry


def test_each_commit_s_bytes_are_appended_once(file: Path, copy: LogCopy) -> None:
    """With their length and checksum, behind the checkpoint they follow; nothing new appends nothing."""
    expected = head(1)
    for entry in ENTRIES:
        grow(file, entry)
        copy.follow()
        copy.follow()
        expected += record(entry)
        assert copy_path(file).read_bytes() == expected
        assert log_is_sound(file)


def test_nothing_is_copied_before_the_first_commit(file: Path) -> None:
    """A log with a torn entry at its end may be there, or none at all; a quiet life leaves nothing behind."""
    for torn in (b"", b"torn"):
        grow(file, torn)
        copy = LogCopy(file)
        assert not copy_path(file).exists()
        copy.close()
        log_path(file).unlink()
        LogCopy(file).close()
        assert [path.name for path in file.parent.iterdir()] == [file.name]


def test_after_a_checkpoint_the_copy_begins_anew(file: Path, copy: LogCopy) -> None:
    """Only the headers tell of one; what else is written to the file does not."""
    grow(file, ENTRIES[0])
    copy.follow()
    with file.open("r+b") as history:
        history.seek(HEADERS)
        history.write(b"BLOCKS")
    grow(file, ENTRIES[1])
    copy.follow()
    assert copy_path(file).read_bytes() == head(1) + record(ENTRIES[0]) + record(ENTRIES[1])
    write_headers(file, 2)
    log_path(file).write_bytes(ENTRIES[2])
    copy.follow()
    assert copy_path(file).read_bytes() == head(2) + record(ENTRIES[2])


@pytest.mark.parametrize("left", [b"", b"new"])
def test_a_log_that_has_become_shorter_is_another_one(file: Path, copy: LogCopy, left: bytes) -> None:
    """The engine emptied it: what is there now is copied from its beginning."""
    grow(file, ENTRIES[0])
    copy.follow()
    log_path(file).write_bytes(left)
    copy.follow()
    assert copy_path(file).read_bytes() == head(1) + (record(left) if left else b"")
    log_path(file).unlink()
    copy.follow()
    assert copy_path(file).read_bytes() == head(1)
    grow(file, ENTRIES[1])
    copy.follow()
    assert copy_path(file).read_bytes() == head(1) + record(ENTRIES[1])


def descriptors() -> int:
    """Return how many files this process has open."""
    return len([*Path("/proc/self/fd").iterdir()])


@pytest.mark.parametrize("emptied", [True, False])
def test_at_the_end_a_copy_is_kept_as_long_as_its_log_is(file: Path, emptied: bool) -> None:
    """A clean end leaves neither; nothing stays open."""
    before = descriptors()
    copy = LogCopy(file)
    grow(file, ENTRIES[0])
    copy.follow()
    write_headers(file, 2)
    copy.follow()
    if emptied:
        log_path(file).unlink()
    copy.close()
    assert copy_path(file).exists() is not emptied
    assert descriptors() == before


def test_a_copy_that_cannot_be_written_is_given_up_until_the_next_checkpoint(file: Path) -> None:
    """No commit fails of it, and nothing stays open of what was given up."""
    before = descriptors()
    copy = LogCopy(file)
    copy_path(file).mkdir()
    grow(file, ENTRIES[0])
    copy.follow()
    copy_path(file).rmdir()
    copy.follow()
    assert not copy_path(file).exists()
    write_headers(file, 2)
    copy.follow()
    assert copy_path(file).read_bytes() == head(2) + record(ENTRIES[0])
    log_path(file).unlink()
    log_path(file).mkdir()  # a log that cannot be read
    copy.follow()
    copy.close()
    assert descriptors() == before


def test_a_copy_without_room_stays_a_beginning_of_the_log(file: Path, copy: LogCopy) -> None:
    """Of what came while there was none nothing is added later, and no commit fails of it."""
    grow(file, ENTRIES[0])
    copy.follow()
    with file_limit(copy_path(file).stat().st_size + 10):
        for entry in ENTRIES[1:]:
            with suppress(OSError):
                grow(file, entry)
            copy.follow()
    held = copy_path(file).read_bytes()
    for entry in ENTRIES:
        grow(file, entry)
        copy.follow()
        assert copy_path(file).read_bytes() == held
        assert log_is_sound(file)
    assert held.startswith(head(1) + record(ENTRIES[0]))
    write_headers(file, 2)
    copy.follow()
    assert copy_path(file).read_bytes() == head(2) + record(log_path(file).read_bytes())


def left(file: Path, copied: bytes, log: bytes | None) -> Path:
    """Leave a history as a crash leaves it: with this copy and this log."""
    copy_path(file).write_bytes(copied)
    if log is not None:
        log_path(file).write_bytes(log)
    return file


WHOLE = b"".join(ENTRIES)
COPIED = head(1) + b"".join(map(record, ENTRIES))


@pytest.mark.parametrize(
    ("log", "sound"),
    [
        (WHOLE, True),
        (WHOLE + b"an unfinished commit", True),
        (WHOLE[:-1], False),
        (b"", False),
        (None, False),
        (b"x" + WHOLE[1:], False),
        (WHOLE[:-1] + b"x", False),
    ],
    ids=["same", "longer", "cut", "empty", "gone", "first byte", "last byte"],
)
def test_a_log_must_begin_with_its_copy(file: Path, log: bytes | None, sound: bool) -> None:
    """Byte for byte; what comes behind is the unfinished commit."""
    assert log_is_sound(left(file, COPIED, log)) is sound


@pytest.mark.parametrize("log", [WHOLE, b"", None], ids=["log", "empty", "none"])
def test_without_a_usable_copy_every_log_is_sound(file: Path, log: bytes | None) -> None:
    """None at all, one of another checkpoint or another program, or one with its head cut off."""
    left(file, b"", log)
    for copied in (head(2) + COPIED[len(head(1)) :], b"X" + COPIED[1:], head(1)[:-1], head(1)):
        copy_path(file).write_bytes(copied)
        assert log_is_sound(file)
    copy_path(file).unlink()
    assert log_is_sound(file)
    file.unlink()
    assert log_is_sound(file)


ENDS = [record(ENTRIES[1])[:-1], record(ENTRIES[1])[:5], record(ENTRIES[1])[:-1] + b"x", b"\x00" * 7]


@pytest.mark.parametrize("end", ENDS, ids=["payload", "head", "checksum", "zeros"])
def test_a_copy_is_believed_up_to_where_it_breaks(file: Path, end: bytes) -> None:
    """A power cut may tear it: what stands before is held against the log and written anew, no more."""
    left(file, head(1) + record(ENTRIES[0]) + end, ENTRIES[0] + b"whatever came")
    assert log_is_sound(file)
    log_path(file).write_bytes(b"damaged")
    assert not log_is_sound(file)
    assert write_from_copy(file) == len(ENTRIES[0])
    assert log_path(file).read_bytes() == ENTRIES[0]


def test_a_log_written_anew_takes_the_place_of_the_old_one(file: Path) -> None:
    """All of the copy's stretches in their order; nothing else is left lying about."""
    left(file, COPIED, b"damaged beyond its own length, and longer than the copy of it ever was")
    assert write_from_copy(file) == len(WHOLE)
    assert log_path(file).read_bytes() == WHOLE
    names = {file.name, log_path(file).name, copy_path(file).name}
    assert {path.name for path in file.parent.iterdir()} == names
