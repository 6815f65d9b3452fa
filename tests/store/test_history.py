"""A commit is all or nothing, and the file is ours alone."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from detect.checkpoint import Checkpoint
from detect.errors import StoreError
from store.checks import digest, duplicates
from store.history import Batch, History, Watermark
from store.schema import CONTRACT_TABLES
from tests.store.drawn import (
    PARLOR,
    SECOND_NS,
    T0_NS,
    air_event,
    condition,
    full_batch,
    milking,
    one_of_each,
    refused,
    rows,
)


def test_every_table_keeps_what_was_committed(path: Path) -> None:
    """Results, refused input and notes are there after the file was closed and opened again."""
    with History.open(path) as history:
        history.commit(full_batch())
        history.add_maintenance(at_ns=T0_NS, stalls=[2, 1], what="new liners", note="all four")
        before = digest(history)
    with History.open(path, read_only=True) as history:
        counts = {table.name: len(rows(history, f"FROM {table.name}")) for table in CONTRACT_TABLES}
        assert digest(history) == before
    assert counts == {
        "air_event": 2,
        "support_event": 1,
        "milking": 1,
        "plant_event": 1,
        "condition_event": 1,
        "data_gap": 1,
        "maintenance": 2,
        "quarantine": 1,
        "clip": 0,
        "incident": 0,
        "test_day": 0,
        "clinical_case": 0,
        "bulk_tank": 0,
    }


def test_values_come_back_exactly(history: History) -> None:
    """Floats, words, instants and nulls of an air event read back as they went in."""
    history.commit(Batch(PARLOR, [air_event(3, air_l=0.1 + 0.2)]))
    found = rows(
        history, "SELECT air_l, kind, cause, milking_id, pulses, epoch_ns(start_at), detector FROM air_event"
    )
    start_ns = T0_NS + 3 * SECOND_NS
    assert found == [(0.1 + 0.2, "liner_slip", "weight_not_carried", None, 2, start_ns, "1+0123abcd")]


def test_checkpoint_and_watermarks_come_back(path: Path) -> None:
    """What a restart needs is read from the file as it was committed."""
    batch = full_batch()
    with History.open(path) as history:
        assert history.checkpoint(PARLOR) is None
        assert history.watermarks(PARLOR) == {}
        history.commit(batch)
    with History.open(path) as history:
        assert history.checkpoint(PARLOR) == batch.checkpoint
        assert history.watermarks(PARLOR) == batch.watermarks
        assert history.checkpoint("elsewhere") is None
        assert history.watermarks("elsewhere") == {}


def test_only_moved_watermarks_change(history: History) -> None:
    """A batch names the topics that moved; the others stay where they were."""
    history.commit(Batch(PARLOR, watermarks={"a": Watermark("x", 1, 10), "b": Watermark(None, 2, 20)}))
    history.commit(Batch(PARLOR, watermarks={"b": Watermark("y", 0, 30), "c": Watermark(None, 5, 40)}))
    assert history.watermarks(PARLOR) == {
        "a": Watermark("x", 1, 10),
        "b": Watermark("y", 0, 30),
        "c": Watermark(None, 5, 40),
    }


def test_only_changed_state_is_rewritten(history: History) -> None:
    """A blob equal to the one last written keeps its row version; a changed one is updated."""
    history.commit(Batch(PARLOR, checkpoint=Checkpoint(1, "d", {0: b"p", 1: b"one", 2: b"two"})))
    state = Checkpoint(1, "d", {0: b"p", 1: b"one", 2: b"TWO"})
    with history.transaction() as connection:
        connection.execute("UPDATE detector_state SET blob = 'marked' WHERE stall = 1")
    history.commit(Batch(PARLOR, checkpoint=state))
    found = dict(rows(history, "SELECT stall, blob FROM detector_state"))
    assert found == {0: b"p", 1: b"marked", 2: b"TWO"}


@pytest.mark.parametrize(
    "later",
    [
        Checkpoint(2, "d", {0: b"p", 1: b"one"}),
        Checkpoint(1, "other", {0: b"p", 1: b"one"}),
        Checkpoint(1, "d", {0: b"p"}),
        Checkpoint(1, "d", {0: b"p", 1: b"one", 2: b"new stall"}),
    ],
)
def test_another_detector_or_parlor_size_replaces_the_state(history: History, later: Checkpoint) -> None:
    """No blob of the former layout is left beside the new ones."""
    history.commit(Batch(PARLOR, checkpoint=Checkpoint(1, "d", {0: b"p", 1: b"one"})))
    history.commit(Batch(PARLOR, checkpoint=later))
    assert history.checkpoint(PARLOR) == later


def test_parlors_keep_their_state_apart(history: History) -> None:
    """Two parlors in one file do not touch each other's state or watermarks."""
    one, other = Checkpoint(1, "d", {0: b"one"}), Checkpoint(1, "d", {0: b"other"})
    history.commit(Batch("one", checkpoint=one, watermarks={"t": Watermark(None, 1, 1)}))
    history.commit(Batch("other", checkpoint=other, watermarks={"t": Watermark(None, 2, 2)}))
    assert (history.checkpoint("one"), history.checkpoint("other")) == (one, other)
    assert history.watermarks("one")["t"].seq == 1


def test_a_condition_that_ends_is_still_one_row(history: History) -> None:
    """The report of its end completes the row; the first report's detection time stays."""
    history.commit(Batch(PARLOR, [condition()]))
    end_ns = T0_NS + 60 * SECOND_NS
    history.commit(Batch(PARLOR, [condition(end_ns=end_ns, detected_ns=end_ns, evidence="60 s")]))
    found = rows(history, "SELECT epoch_ns(end_at), epoch_ns(detected_at), evidence FROM condition_event")
    assert found == [(end_ns, T0_NS + 10 * SECOND_NS, "60 s")]


def test_batches_do_not_matter(tmp_path: Path) -> None:
    """The same results in one batch or one by one leave the same history."""
    results = [condition(), *one_of_each()[:4], condition(end_ns=T0_NS + SECOND_NS), condition(T0_NS + 5)]
    with History.open(tmp_path / "one") as one, History.open(tmp_path / "many") as many:
        one.commit(Batch(PARLOR, results, [refused(n) for n in range(4)]))
        for number, result in enumerate(results):
            many.commit(Batch(PARLOR, [result], [refused(number)] if number < 4 else []))
        assert digest(one) == digest(many)


@pytest.mark.parametrize(
    "poison",
    [
        Batch(PARLOR, [air_event(5), air_event(6, depth_kpa=None)]),
        Batch(PARLOR, [air_event(5), milking(6, slips="many")]),
        Batch(PARLOR, [air_event(5)], watermarks={"t": Watermark(None, 2**70, 0)}),
        Batch(PARLOR, [air_event(5)], checkpoint=Checkpoint(1, "d", {0: None})),  # type: ignore[dict-item]
    ],
    ids=["null where none may be", "text for a count", "number too large", "state without bytes"],
)
def test_a_row_that_cannot_be_stored_stores_nothing(path: Path, poison: Batch) -> None:
    """An error anywhere in a batch undoes all of it, now and after opening again."""
    good = full_batch(1)
    with History.open(path) as history:
        history.commit(good)
        before = digest(history)
        with pytest.raises(StoreError, match="cannot be written"):
            history.commit(replace(poison, quarantined=[refused(9)]))
        assert digest(history) == before
    with History.open(path) as history:
        assert digest(history) == before
        assert history.checkpoint(PARLOR) == good.checkpoint
        assert history.watermarks(PARLOR) == good.watermarks


def test_after_a_refused_batch_the_next_one_is_stored(history: History) -> None:
    """A rolled back transaction leaves no memory of state that was never written."""
    history.commit(full_batch(1))
    state = Checkpoint(1, "0123abcd", {0: b"parlor", 1: b"later"})
    with pytest.raises(StoreError):
        history.commit(
            Batch(PARLOR, [air_event(1, stall=None)], checkpoint=state),
        )
    history.commit(Batch(PARLOR, checkpoint=state))
    assert history.checkpoint(PARLOR) == state


def test_an_exception_of_ours_undoes_the_transaction(history: History) -> None:
    """Whatever is raised inside a transaction, nothing of it stays."""

    def interrupted() -> None:
        with history.transaction() as connection:
            connection.execute("INSERT INTO maintenance VALUES (now()::TIMESTAMP, 1, 'x', NULL)")
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        interrupted()
    history.commit(full_batch(1))
    assert rows(history, "FROM maintenance") == []


def test_a_closed_history_answers_nobody(path: Path) -> None:
    """Who asks a history that is closed is told so in our words."""
    with History.open(path) as history:
        pass
    with pytest.raises(StoreError, match=path.name):
        history.reader()


def test_duplicates_are_found(history: History) -> None:
    """The check for rows stored twice finds one that is, and names its table."""
    history.commit(Batch(PARLOR, one_of_each()))
    assert duplicates(history) == {}
    history.commit(Batch(PARLOR, [milking(1)]))
    assert duplicates(history) == {"milking": 1}


COMMITTER = """
import sys
from pathlib import Path
from store.history import History
from tests.store.drawn import full_batch
from store.batch import Batch
from tests.store.drawn import PARLOR, air_event
from dataclasses import replace
with History.open(Path(sys.argv[1])) as history:
    for number in range(1_000_000):
        history.commit(replace(full_batch(number), results=[air_event(number)]))
        print(number, flush=True)
"""


@pytest.mark.parametrize("commits", [1, 40])
def test_a_killed_writer_leaves_whole_commits(path: Path, commits: int) -> None:
    """After SIGKILL the file holds every acknowledged commit and results, watermark, state agree."""
    home = Path(__file__).parents[2]
    with subprocess.Popen(  # noqa: S603 - our own script
        [sys.executable, "-c", COMMITTER, str(path)], cwd=home, stdout=subprocess.PIPE, text=True
    ) as writer:
        assert writer.stdout is not None
        said = [int(writer.stdout.readline()) for _ in range(commits)]
        writer.kill()
        said += [int(line) for line in writer.stdout.read().split()]
    with History.open(path) as history:
        (stored,) = rows(history, "SELECT count(*), count(DISTINCT event_id) FROM air_event")
        (mark,) = history.watermarks(PARLOR).values()
        state = history.checkpoint(PARLOR)
    assert stored[0] == stored[1] == mark.seq + 1
    assert mark.seq - said[-1] in (0, 1)
    assert state is not None
    assert state.blobs[1] == bytes([mark.seq % 256])


def test_a_history_opened_for_reading_refuses_a_commit(path: Path) -> None:
    """Without the right to write a commit is a store error and changes nothing."""
    History.open(path).close()
    with History.open(path, read_only=True) as history, pytest.raises(StoreError, match="cannot be written"):
        history.commit(full_batch())
