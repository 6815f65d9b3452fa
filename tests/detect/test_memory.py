"""A detector that is cut in the middle of its life goes on from its checkpoint."""

from __future__ import annotations

from dataclasses import replace

import pytest

from detect.checkpoint import Checkpoint
from detect.kinds import Channel
from detect.parlor import ParlorDetector
from detect.readings import Reading, StallVacuum
from tests.detect.scripted import Parlor


@pytest.fixture(scope="module")
def stored() -> Checkpoint:
    """Return the state of a detector of two stalls in the middle of a milking with a slip just open."""
    parlor = Parlor.of(2, 130)
    for stall in parlor.stalls:
        stall.cow(5.0, f"c{stall.number}").milk(20.0, 250.0).open(123.0, 2.0, 15.0)
    detector = ParlorDetector(parlor="willowmere", stalls=2)
    for reading in parlor.readings():
        detector.feed(reading)
    return detector.checkpoint()


def test_a_fitting_checkpoint_is_taken_up(stored: Checkpoint) -> None:
    """The milkings in hand are there again, and the state written anew is the same bytes."""
    detector = ParlorDetector(parlor="willowmere", stalls=2)
    detector.restore(stored)
    assert detector.checkpoint() == stored
    assert [(now.attached, now.cow) for now in detector.now()] == [(True, "c1"), (True, "c2")]
    assert set(stored.blobs) == {0, 1, 2, 3}


def test_the_memory_of_cows_is_packed_once_for_each_milking(stored: Checkpoint) -> None:
    """The bytes stay the same until a milking ends, and hold what is remembered then."""
    detector, other = (ParlorDetector(parlor="willowmere", stalls=2) for _ in range(2))
    detector.restore(stored)
    before = detector.checkpoint().blobs[3]
    assert detector.checkpoint().blobs[3] is before
    detector.history.close_milking("c1", 1.0, 300.0)
    after = detector.checkpoint()
    assert after.blobs[3] != before
    other.restore(after)
    assert other.history.cows == detector.history.cows == {"c1": (1.0, 300.0)}


def test_a_state_is_small(stored: Checkpoint) -> None:
    """A stall's state takes a few kilobytes at most."""
    assert max(len(blob) for key, blob in stored.blobs.items() if key > 0) < 8_192


def test_a_cut_amid_frames_loses_nothing_of_them() -> None:
    """What lies on the grid, one stream ahead of the other and a tube among them, goes on after a restart."""
    readings = lagging(seconds=100)
    whole, again = ParlorDetector(parlor="willowmere", stalls=2), []
    for at, reading in enumerate(readings):
        whole.feed(reading)
        if at % 97 == 41:
            cut = ParlorDetector(parlor="willowmere", stalls=2)
            cut.restore(whole.checkpoint())
            assert cut.checkpoint() == whole.checkpoint()
            assert cut.timeline.counters == whole.timeline.counters
            again.append((at, cut))
    assert whole.timeline.counters["late_samples"] > 0
    for at, cut in again:
        for reading in readings[at + 1 :]:
            cut.feed(reading)
        assert cut.checkpoint() == whole.checkpoint()


def lagging(*, seconds: int) -> list[Reading]:
    """Return a script in which stall 2 comes a second late, stall 1 has a tube sensor, and ten come again."""
    parlor = Parlor.of(2, seconds)
    for stall in parlor.stalls:
        stall.cow(5.0, f"c{stall.number}").milk(15.0, 85.0).open(60.0, 1.0, 15.0)
    plain = parlor.readings()
    tubes = [
        replace(r, channel=Channel.LEFT_FRONT, vacuum_kpa=r.vacuum_kpa - 0.5)
        for r in plain
        if isinstance(r, StallVacuum) and r.stall == 1
    ]
    record = sorted([*plain, *tubes], key=lambda r: r.t_ns + 10**9 * (getattr(r, "stall", 1) == 2))
    middle = len(record) // 2
    return [*record[:middle], *record[middle - 300 : middle - 290], *record[middle:]]
