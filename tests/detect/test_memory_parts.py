"""Each part of a detector's state comes back from its bytes; bytes that do not fit are refused."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import astuple, replace
from typing import Any

import numpy as np
import pytest

from detect.assemble import Figures
from detect.checkpoint import Checkpoint
from detect.errors import CheckpointError, StoreError
from detect.grid import PLANES, ROWS, SPAN
from detect.kinds import SupportState
from detect.params import BIN_NS
from detect.parlor import ParlorDetector, Site
from detect.readings import CowAtStall, MilkFlow, StallVacuum
from detect.results import SupportEvent
from tests.detect.silent import AT
from tests.store.drawn import air_event

STALLS = 3
SLACK = SupportEvent("willowmere", 1, None, 1, 2, 3, SupportState.SLACK, support_share=1.0 / 3.0)


def empty() -> ParlorDetector:
    """Return a detector that has read nothing."""
    return ParlorDetector(parlor="willowmere", stalls=STALLS)


def filled(seed: int = 1) -> ParlorDetector:
    """Return a detector whose every part holds something that no other part holds."""
    made, rng = empty(), np.random.default_rng(seed)
    for records in (made.state, made.plant, made.witness.scenes, made.witness.whole):
        records.view(np.uint8)[:] = rng.integers(0, 256, records.nbytes, np.uint8)
    fill_timeline(made, rng)
    history = made.history
    for name in ("counts", "times", "seen", "stall_counts", "stall_times", "stall_seen"):
        setattr(history, name, rng.random(getattr(history, name).shape))
    history.cows = {"17": (0.1 + 0.2, 1.0 / 3.0), "18": (2.0, 300.0)}
    made.cow_feed = True
    for number, book in enumerate(made.books, 1):
        book.cow, book.milker, book.group = f"c{number}", f"m{number}", f"g{number}"
    for number, book in enumerate(made.books[:2], 1):
        book.attach(AT + number, begun=number == 1)
        assert book.milking is not None
        book.milking.held = [air_event(number), SLACK]
        book.milking.unexplained_slips, book.milking.gap_to = 0.1 * number, AT + 9
    made.books[0].left = Figures(on_bins=9, yield_kg=1.0 / 3.0, peak_kpa=41.0, low_flow_s=0.1)
    return made


def fill_timeline(made: ParlorDetector, rng: np.random.Generator) -> None:
    """Let bins lie open, streams stray, readings wait and cows be announced."""
    line = made.timeline
    line.add_tubes()
    line.done_bin, line.jump_bin, line.accepted, line.unread = AT, AT + 7_000, 5, 2
    line.counters.update(late_samples=3, ahead_readings=4, clock_shifts=5)
    line.cows = [CowAtStall(2, AT * BIN_NS, None), CowAtStall(1, AT * BIN_NS, "19", "m1", "g1", 2, 120)]
    line.pending = [
        MilkFlow(1, AT * BIN_NS, 0.1 + 0.2),
        StallVacuum(2, (AT + 7_000) * BIN_NS, 100.0, np.array([1.0 / 3.0, -0.0])),
    ]
    grid, rows = line.grid, np.arange(AT, AT + 30) % ROWS
    grid.covered[:] = (AT + rng.integers(0, 29, grid.covered.shape)) * BIN_NS
    grid.covered[0, 0] = (AT + 29) * BIN_NS
    grid.heard[:], grid.waited[:] = rng.random((2, *grid.heard.shape)) < 0.5
    grid.offset[:], grid.stray[:] = rng.integers(-(10**12), 10**12, (2, *grid.offset.shape))
    grid.total[:, rows] = rng.random((len(grid.total), rows.size, STALLS + 1))
    grid.number[:, rows] = rng.integers(1, 6, (len(grid.number), rows.size, STALLS + 1))


def parts(made: ParlorDetector) -> dict[str, Any]:
    """Return every part as plain values and bytes."""
    line, history = made.timeline, made.history
    arrays = {
        **{"state": made.state, "plant": made.plant, "scenes": made.witness.scenes},
        **{"whole": made.witness.whole},
        **line.grid._asdict(),
        **{name: getattr(history, name) for name in ("counts", "times", "seen")},
        **{name: getattr(history, f"stall_{name}") for name in ("counts", "times", "seen")},
    }
    plain = {
        **{name: getattr(line, name) for name in ("done_bin", "jump_bin", "accepted", "unread", "counters")},
        **{"cows": line.cows, "pending": list(map(repr, line.pending)), "cow_feed": made.cow_feed},
        **{"remembered": history.cows, "books": [astuple(book) for book in made.books]},
    }
    return plain | {name: (array.shape, array.tobytes()) for name, array in arrays.items()}


def test_what_went_in_comes_out() -> None:
    """Part by part and to the last bit, into a detector that has lived another life."""
    whole, again = filled(), filled(seed=2)
    again.checkpoint()
    again.restore(whole.checkpoint())
    before, after = parts(whole), parts(again)
    assert [name for name in before if before[name] != after[name]] == []
    assert again.checkpoint() == whole.checkpoint()


def test_nothing_comes_out_of_nothing() -> None:
    """A detector that has read nothing, restored into one full of life, is as new."""
    again = filled()
    again.restore(empty().checkpoint())
    before, after = parts(empty()), parts(again)
    assert [name for name in before if before[name] != after[name]] == []
    assert len(again.timeline.grid.total) == PLANES


def test_a_stall_s_bytes_hold_that_stall_alone() -> None:
    """Its state, its scene and its book: whatever befalls another leaves them as they are."""
    before = filled().checkpoint().blobs
    for change in (
        lambda made: made.state["kpa"].__setitem__(1, 41.0),
        lambda made: made.witness.scenes["claw"].__setitem__(1, 41.0),
        lambda made: setattr(made.books[1], "cow", "20"),
    ):
        made = filled()
        change(made)
        after = made.checkpoint().blobs
        assert [key for key in before if before[key] != after[key]] == [2]


def test_the_open_rows_of_the_grid_are_kept_and_no_more() -> None:
    """From the first open bin to the newest; none before the first reading, never more than can be open."""
    line = filled().timeline
    assert line.rows().tolist() == [bin_ % ROWS for bin_ in range(AT, AT + 30)]
    assert empty().timeline.rows().size == 0
    line.grid.covered[0, 0] += 1  # into the next bin
    assert line.rows().size == 31
    line.grid.covered[0, 0] = (AT + 2 * SPAN) * BIN_NS
    assert line.rows().tolist() == [bin_ % ROWS for bin_ in range(AT, AT + SPAN)]
    line.grid.covered[:] = (AT - 20) * BIN_NS
    assert line.rows().tolist() == [AT % ROWS]


@pytest.fixture(scope="module")
def stored() -> Checkpoint:
    """Return a whole state."""
    return filled().checkpoint()


def cut_short(stored: Checkpoint) -> Checkpoint:
    return replace(stored, blobs={**stored.blobs, 1: stored.blobs[1][:-20]})


def swapped(stored: Checkpoint) -> Checkpoint:
    return replace(stored, blobs={**stored.blobs, 0: stored.blobs[1]})


def overwritten(stored: Checkpoint) -> Checkpoint:
    return replace(stored, blobs={**stored.blobs, 2: b"not a state"})


def emptied(stored: Checkpoint) -> Checkpoint:
    return replace(stored, blobs={**stored.blobs, 0: b""})


def without_a_stall(stored: Checkpoint) -> Checkpoint:
    return replace(stored, blobs={0: stored.blobs[0], 1: stored.blobs[1]})


DAMAGE = [
    (lambda stored: replace(stored, version=stored.version + 1), "version"),
    (lambda stored: replace(stored, digest="00000000"), "parameters"),
    (without_a_stall, "stalls"),
    (cut_short, "damaged"),
    (swapped, "damaged"),
    (overwritten, "damaged"),
    (emptied, "damaged"),
]


@pytest.mark.parametrize(("damage", "says"), DAMAGE)
def test_a_misfit_is_refused_with_its_reason(
    stored: Checkpoint, damage: Callable[[Checkpoint], Checkpoint], says: str
) -> None:
    """Another version, other parameters, another number of stalls and damaged bytes are refused."""
    with pytest.raises(CheckpointError, match=says) as caught:
        empty().restore(damage(stored))
    assert isinstance(caught.value, StoreError)


def test_another_number_of_stalls_is_refused(stored: Checkpoint) -> None:
    """A detector of four stalls does not take up the state of three."""
    with pytest.raises(CheckpointError, match="3 stalls, not 4"):
        ParlorDetector(parlor="willowmere", stalls=4).restore(stored)


def test_another_site_is_refused(stored: Checkpoint) -> None:
    """At another altitude the parameters are others."""
    with pytest.raises(CheckpointError, match="parameters"):
        ParlorDetector(parlor="willowmere", stalls=STALLS, site=Site(altitude_m=900.0)).restore(stored)
