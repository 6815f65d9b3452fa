"""The raw capture keeps the last hours, makes room, and never stands in the way."""

from __future__ import annotations

import os
from pathlib import Path

from ingest.capture import PART_MESSAGES, read_capture
from ingest.rolling import CHECK_S, RollingCapture
from ingest.wire import Message
from tests.disk import file_limit

GB = 2**30
MESSAGE = Message(1, "milking/willowmere/stall/1/flow", b"{}")


def fill(capture: RollingCapture, messages: int = PART_MESSAGES) -> None:
    for _ in range(messages):
        capture.write(MESSAGE)


def test_parts_go_when_their_time_is_over(tmp_path: Path) -> None:
    """A part older than the hours kept is removed; younger ones stay and can be read."""
    now = [1_000_000.0]
    capture = RollingCapture(tmp_path, keep_hours=2.0, clock_s=lambda: now[0], free=lambda _: GB)
    for hour in range(4):
        now[0] = 1_000_000.0 + hour * 3600.0
        fill(capture)
        newest = max(tmp_path.glob("*.parquet"))
        os.utime(newest, (now[0], now[0]))
    capture.write(MESSAGE)
    now[0] += CHECK_S
    capture.write(MESSAGE)
    assert len(list(tmp_path.glob("*.parquet"))) == 2
    capture.close()
    assert sum(1 for _ in read_capture(tmp_path)) == 2 * PART_MESSAGES + 2
    assert capture.dropped == 0


def test_the_oldest_part_makes_room(tmp_path: Path) -> None:
    """When the disk is nearly full, the history comes first: raw parts go, the oldest first."""
    free = [GB]
    now = [0.0]
    capture = RollingCapture(tmp_path, keep_hours=1e4, clock_s=lambda: now[0], free=lambda _: free[0])
    fill(capture, 2 * PART_MESSAGES)
    assert len(list(tmp_path.glob("*.parquet"))) == 2
    free[0], now[0] = 0, CHECK_S
    capture.write(MESSAGE)
    assert list(tmp_path.glob("*.parquet")) == []


def test_a_disk_that_takes_no_more_costs_raw_messages_only(tmp_path: Path) -> None:
    """What cannot be written is counted and not raised; with room it goes on."""
    now = [0.0]
    capture = RollingCapture(tmp_path, keep_hours=1.0, clock_s=lambda: now[0], free=lambda _: GB)
    with file_limit(100):
        fill(capture, PART_MESSAGES + 5)
    assert capture.dropped == PART_MESSAGES + 5
    now[0] += CHECK_S
    fill(capture, 10)
    capture.close()
    assert sum(1 for _ in read_capture(tmp_path)) == 10
    assert list(tmp_path.glob("*.unfinished")) == []
