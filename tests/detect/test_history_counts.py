"""What the history counts of one slip, and how a rate, a stall and a cow are made of counts."""

from __future__ import annotations

import numpy as np
import pytest

from detect.cause import CIRCUMSTANCES, UNREST, Evidence
from detect.history import (
    BASE_PER_S,
    COW_LADDER,
    COW_MEMORY_S,
    EXCESS,
    PARLOR_MEMORY_S,
    PRIOR_SLIPS,
    STALL_LADDER,
    STALL_MEMORY_S,
    SlipHistory,
    ladder_mean,
)
from detect.kinds import AirKind, Cause
from detect.scene import NOTE_DTYPE

SHARES = {
    **{Cause.WEIGHT_NOT_CARRIED: 0.31, Cause.QUARTER_DRY: 0.17, Cause.LOW_PLANT_VACUUM: 0.11},
    **{Cause.COW: 0.05, Cause.STALL_FAULT: 0.23, Cause.UNKNOWN: 0.13},
}
QUIET = Evidence(kind=AirKind.LINER_SLIP, unrest=UNREST - 0.1)
MOVED = Evidence(kind=AirKind.LINER_SLIP, unrest=UNREST + 0.1)


def note(all_s: float, stall_s: float, *strength_s: float) -> np.void:
    """Return a note with exposures until now."""
    row = np.zeros(1, NOTE_DTYPE)[0]
    row["all_s"], row["stall_s"] = all_s, stall_s
    row["all_strength_s"][: len(strength_s)] = strength_s
    return row


def known() -> SlipHistory:
    """Return a history of two stalls with counts and times of its own."""
    history = SlipHistory(2)
    history.counts[:] = (30.0, 8.0, 2.0, 0.5, 3.0)
    history.times[:] = history.seen[:] = (20_000.0, 900.0, 500.0, 250.0, 40.0)
    history.stall_counts[:], history.stall_times[:] = (6.0, 1.0), (2_000.0, 1_800.0)
    history.stall_seen[:] = history.stall_times
    history.cows = {"17": (9.0, 3_000.0)}
    return history


SEEN = note(20_000.0, 2_000.0, 900.0, 500.0, 250.0, 40.0)
"""Nothing was lived through since."""


def test_a_slip_is_counted_by_its_shares() -> None:
    """Circumstances get theirs, the base rate what none explains, the stall that and its own share."""
    history = SlipHistory(2)
    assert history.count(1, MOVED, SHARES) == pytest.approx(0.13 + 0.05)
    assert history.counts.tolist() == pytest.approx([0.13, *(SHARES[cause] for cause in CIRCUMSTANCES)])
    assert history.stall_counts.tolist() == pytest.approx([0.0, 0.13 + 0.23])


def test_without_unrest_the_cow_s_share_is_part_of_the_base_rate() -> None:
    """Slips for no reason anyone can see are counted there; she may be charged with them all the same."""
    history = SlipHistory(2)
    assert history.count(0, QUIET, SHARES) == pytest.approx(0.13 + 0.05)
    circumstances = [0.0 if cause is Cause.COW else SHARES[cause] for cause in CIRCUMSTANCES]
    assert history.counts.tolist() == pytest.approx([0.13 + 0.05, *circumstances])
    assert history.stall_counts.tolist() == pytest.approx([0.13 + 0.05 + 0.23, 0.0])


@pytest.mark.parametrize("kind", [AirKind.FALL_OFF, AirKind.VACUUM_REMOVAL])
def test_what_is_no_slip_is_not_counted(kind: AirKind) -> None:
    """Nobody is charged with it either."""
    history = SlipHistory(1)
    assert history.count(0, Evidence(kind=kind), SHARES) == 0.0
    assert not history.counts.any()
    assert not history.stall_counts.any()


def test_a_rate_is_its_prior_and_what_was_counted() -> None:
    """Gamma-Poisson: slips of both over the times of both, where the prior is worth five slips."""
    history = known()
    excess = history.excess(0, None, SEEN)
    base = (PRIOR_SLIPS + 30.0) / (PRIOR_SLIPS / BASE_PER_S + 20_000.0)
    assert history.base_per_s == pytest.approx(base)
    for cause, count, time_s in zip(CIRCUMSTANCES, (8.0, 2.0, 0.5, 3.0), (900, 500, 250, 40), strict=True):
        prior_s = PRIOR_SLIPS / (EXCESS[cause] * base)
        assert excess.by_cause[cause] == pytest.approx((PRIOR_SLIPS + count) / (prior_s + time_s) / base)


def test_a_stall_and_a_cow_are_held_against_the_base_rate() -> None:
    """Each by its own counts over what was ordinary in its own time."""
    history = known()
    excess, base = history.excess(0, "17", SEEN), history.base_per_s
    assert excess.stall == pytest.approx(ladder_mean(STALL_LADDER, 6.0, base * 2_000.0))
    assert excess.cow == pytest.approx(ladder_mean(COW_LADDER, 9.0, base * 3_000.0))


def test_counts_fade_and_times_grow_by_what_was_lived_through() -> None:
    """The parlor's by all attached time, a stall's by its own; the other stall is left as it was."""
    history, before = known(), known()
    lived = np.array([5_000.0, 40.0, 30.0, 20.0, 10.0])
    history.excess(0, None, note(25_000.0, 2_300.0, 940.0, 530.0, 270.0, 50.0))
    keep = PARLOR_MEMORY_S / (PARLOR_MEMORY_S + 5_000.0)
    assert history.counts == pytest.approx(keep * before.counts)
    assert history.times == pytest.approx(keep * before.times + lived)
    assert history.seen == pytest.approx(before.seen + lived)
    own = STALL_MEMORY_S / (STALL_MEMORY_S + 300.0)
    assert history.stall_counts.tolist() == pytest.approx([6.0 * own, 1.0])
    assert history.stall_times.tolist() == pytest.approx([2_000.0 * own + 300.0, 1_800.0])
    assert history.stall_seen.tolist() == [2_300.0, 1_800.0]


def test_a_look_at_the_same_moment_changes_nothing() -> None:
    """Two slips closed in one bin see the same past."""
    history, before = known(), known()
    history.excess(0, None, SEEN)
    for name in ("counts", "times", "stall_counts", "stall_times"):
        assert getattr(history, name) == pytest.approx(getattr(before, name), rel=1e-12)


def test_a_cow_s_milking_replaces_the_bytes_that_were_packed() -> None:
    """A nameless one does not; her first is taken as it was."""
    history = SlipHistory(1)
    history.packed_cows = b"packed"
    history.close_milking(None, 2.0, 300.0)
    assert (history.packed_cows, history.cows) == (b"packed", {})
    history.close_milking("17", 2.0, 300.0)
    assert (history.packed_cows, history.cows) == (None, {"17": (2.0, 300.0)})
    history.close_milking("17", 1.0, COW_MEMORY_S)
    assert history.cows["17"] == (2.0, pytest.approx(150.0 + COW_MEMORY_S))
