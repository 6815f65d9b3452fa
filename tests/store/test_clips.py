"""Around each event the claw vacuum is kept, whatever the batches and the crashes between them."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from detect.batch import ReadingBatch
from detect.checkpoint import Checkpoint
from detect.errors import StoreError
from detect.readings import StallVacuum
from detect.results import AirEvent
from ingest.traces import traces
from store.checks import digest
from store.exchange import export_tables, load_tables
from store.history import Batch, History
from tests.store.drawn import PARLOR, SECOND_NS, T0_NS, air_event, rows

RATE_HZ = 50.0
STALL = 2
LENGTH_S = 60


def frame(second: int, stall: int = STALL) -> StallVacuum:
    """Return one second of vacuum whose samples tell their time: kPa x 100 = sample number modulo 9000."""
    numbers = np.arange(second * RATE_HZ, (second + 1) * RATE_HZ) % 9000
    return StallVacuum(stall, T0_NS + second * SECOND_NS, RATE_HZ, numbers / 100.0)


def event(number: int, *, at_s: int, lasts_s: float = 1.0) -> AirEvent:
    start_ns = T0_NS + at_s * SECOND_NS
    ends_ns = start_ns + round(lasts_s * SECOND_NS)
    return air_event(number, stall=STALL, start_ns=start_ns, end_ns=ends_ns, detected_ns=ends_ns)


EVENTS = {25: event(1, at_s=20), 43: event(2, at_s=40, lasts_s=1.5)}
"""Events by the second after which they are told."""


def fed(path: Path, cuts: Sequence[int], *, lost: Sequence[int] = ()) -> None:
    """Store a minute in batches cut after the given seconds, with the file opened anew for each."""
    for first, end in zip([0, *cuts], [*cuts, LENGTH_S], strict=True):
        vacuum = [frame(s, stall) for s in range(first, end) if s not in lost for stall in (1, STALL)]
        told = [EVENTS[s] for s in range(first, end) if s in EVENTS]
        with History.open(path) as history:
            history.commit(Batch(PARLOR, told, vacuum=traces(ReadingBatch.of(vacuum))))


def test_a_clip_holds_five_seconds_before_and_after(path: Path) -> None:
    """First and last sample lie 5 s off the event, at their own instants, to 10 Pa."""
    fed(path, [])
    with History.open(path, read_only=True) as history:
        clips = rows(
            history, "SELECT event_id, epoch_ns(start_at), rate_hz, vacuum_dapa FROM clip ORDER BY ALL"
        )
        samples = rows(
            history, "SELECT epoch_ns(sample_at), vacuum_kpa FROM clip_sample ORDER BY ALL LIMIT 2"
        )
    assert [clip[0] for clip in clips] == [EVENTS[25].event_id, EVENTS[43].event_id]
    assert clips[0][1:3] == (T0_NS + 15 * SECOND_NS, RATE_HZ)
    assert clips[0][3] == list(range(15 * 50, 26 * 50))
    assert clips[1][3] == list(range(35 * 50, round(46.5 * 50)))
    assert samples == [(T0_NS + 15 * SECOND_NS, 7.5), (T0_NS + 15 * SECOND_NS + 20_000_000, 7.51)]


def test_clips_cut_together_hold_each_its_own_stall(path: Path) -> None:
    """Two stalls in one batch, at rates of their own; what lies outside a clip does not decide its rate."""
    first, other = event(1, at_s=20), replace(event(2, at_s=40), stall=1)
    slow = [StallVacuum(1, T0_NS + s * SECOND_NS, 10.0, np.full(10, 30.0)) for s in range(30)]
    frames = [*(frame(s) for s in range(LENGTH_S)), *slow, *(frame(s, 1) for s in range(30, LENGTH_S))]
    with History.open(path) as history:
        history.commit(Batch(PARLOR, [first, other], vacuum=traces(ReadingBatch.of(frames))))
        clips = rows(history, "SELECT stall, rate_hz, vacuum_dapa FROM clip ORDER BY start_at")
    assert clips == [
        (STALL, RATE_HZ, list(range(15 * 50, 26 * 50))),
        (1, RATE_HZ, list(range(35 * 50, 46 * 50))),
    ]


def test_a_clip_of_a_refused_batch_comes_with_the_next(path: Path) -> None:
    """What a refused batch completed is not taken for stored: the same batch again brings its clip."""
    frames = [frame(s) for s in range(LENGTH_S)]
    whole, early, late = (traces(ReadingBatch.of(part)) for part in (frames, frames[:10], frames[10:]))
    wrong = Checkpoint(1, "0123abcd", {0: None})  # type: ignore[dict-item]
    with History.open(path) as history:
        with pytest.raises(StoreError):
            history.commit(Batch(PARLOR, [EVENTS[25]], vacuum=whole, checkpoint=wrong))
        assert rows(history, "FROM clip") == []
        history.commit(Batch(PARLOR, vacuum=early))
        history.commit(Batch(PARLOR, [EVENTS[25]], vacuum=late))
        assert rows(history, "SELECT event_id, len(vacuum_dapa) FROM clip") == [(EVENTS[25].event_id, 550)]


@settings(max_examples=8, deadline=None)
@given(cuts=st.sets(st.integers(1, LENGTH_S - 1), max_size=4).map(sorted))
def test_clips_do_not_depend_on_batches_or_restarts(
    tmp_path_factory: pytest.TempPathFactory, cuts: list[int]
) -> None:
    """Cut anywhere, with the file closed and opened between, the clips are the same."""
    folder = tmp_path_factory.mktemp("clips")
    fed(folder / "whole", [])
    fed(folder / "cut", cuts)
    with History.open(folder / "whole", read_only=True) as whole, History.open(folder / "cut") as cut:
        assert digest(whole) == digest(cut)
        assert len(rows(cut, "FROM clip")) == 2


def test_what_never_came_is_null(path: Path) -> None:
    """A lost frame leaves nulls in the clip: nothing is bridged."""
    fed(path, [], lost=[17])
    with History.open(path, read_only=True) as history:
        sql = "SELECT count(*), count(vacuum_kpa) FROM clip_sample WHERE event_id = 'willowmere-1'"
        assert rows(history, sql) == [(11 * 50, 10 * 50)]


def test_of_a_long_event_the_beginning_is_kept(path: Path) -> None:
    """Twenty seconds of a long event and five either side, no more."""
    with History.open(path) as history:
        long = event(1, at_s=10, lasts_s=600.0)
        history.commit(Batch(PARLOR, [long], vacuum=traces(ReadingBatch.of([frame(s) for s in range(40)]))))
        assert rows(history, "SELECT len(vacuum_dapa) FROM clip") == [(30 * 50,)]


def test_recent_vacuum_does_not_pile_up(path: Path) -> None:
    """What is older than five minutes goes out now and then."""
    with History.open(path) as history:
        for start in range(0, 45_000, 300):
            vacuum = [frame(s) for s in range(start, start + 300, 2)]
            history.commit(Batch(PARLOR, vacuum=traces(ReadingBatch.of(vacuum))))
        [(bytes_,)] = rows(history, "SELECT sum(octet_length(samples)) FROM recent_trace")
        assert bytes_ <= 10_000 * RATE_HZ


def test_an_event_early_in_a_long_batch_has_its_clip(path: Path) -> None:
    """What a batch brings is at hand however long it is; only its last five minutes are stored."""
    frames = ReadingBatch.of([frame(s) for s in range(1_000)])
    with History.open(path) as history:
        history.commit(Batch(PARLOR, [EVENTS[25]], vacuum=traces(frames)))
        [clip] = rows(history, "SELECT vacuum_dapa FROM clip")
        assert clip == (list(range(15 * 50, 26 * 50)),)


def test_clips_go_out_and_come_back(path: Path, tmp_path: Path) -> None:
    """Exported clips load into another history, once."""
    fed(path, [], lost=[17])
    with History.open(path) as history, History.open(tmp_path / "other.duckdb") as other:
        export_tables(history, tmp_path / "tables")
        assert load_tables(other, tmp_path / "tables").new == 4
        assert load_tables(other, tmp_path / "tables").new == 0
        assert digest(other) == digest(history)


@settings(max_examples=60, deadline=None)
@given(
    sizes=st.lists(st.integers(1, 90), min_size=1, max_size=25),
    late_ns=st.integers(0, 40_000_000),
    cuts=st.sets(st.integers(1, 24), max_size=6),
    seed=st.integers(0, 99),
)
def test_clips_do_not_depend_on_the_frames_that_share_a_row(
    tmp_path_factory: pytest.TempPathFactory, sizes: list[int], late_ns: int, cuts: set[int], seed: int
) -> None:
    """Frames of any length and phase, committed together or one by one, make the same clip."""
    rng, at, frames = np.random.default_rng(seed), 0, []
    for size in sizes:
        t_ns = T0_NS + late_ns + at * 20_000_000 + (7_000_000 if rng.random() < 0.1 else 0)
        frames.append(StallVacuum(STALL, t_ns, RATE_HZ, np.arange(at, at + size) / 100.0))
        at += size
    folder, clips = tmp_path_factory.mktemp("rows"), []
    for name, edges in (("one", []), ("all", range(1, len(frames))), ("some", sorted(cuts))):
        with History.open(folder / name) as history:
            for first, stop in itertools.pairwise([0, *(e for e in edges if e < len(frames)), len(frames)]):
                history.commit(Batch(PARLOR, vacuum=traces(ReadingBatch.of(frames[first:stop]))))
            end = StallVacuum(STALL, T0_NS + 100 * SECOND_NS, RATE_HZ, np.zeros(1))
            history.commit(Batch(PARLOR, [event(1, at_s=6)], vacuum=traces(ReadingBatch.of([end]))))
            clips.append(rows(history, "FROM clip"))
    assert clips[0] == clips[1] == clips[2]
    assert len(clips[0]) == 1
