"""Refused input is kept within a cap."""

from __future__ import annotations

from pathlib import Path

import pytest

from store.history import Batch, History
from store.quarantine import QuarantineLimits
from tests.store.drawn import PARLOR, SECOND_NS, T0_NS, refused, rows


def test_quarantine_keeps_the_newest_within_the_cap(path: Path) -> None:
    """Above the cap of rows or bytes the oldest go, whatever the batches, also after a restart."""
    limits = QuarantineLimits(rows=10, payload_bytes=100)
    with History.open(path, limits=limits) as history:
        history.commit(Batch(PARLOR, quarantined=[refused(n, b"12345") for n in range(7)]))
        history.commit(Batch(PARLOR, quarantined=[refused(n, b"12345") for n in range(7, 14)]))
        assert len(rows(history, "FROM quarantine")) == 10
    with History.open(path, limits=limits) as history:
        history.commit(Batch(PARLOR, quarantined=[refused(14, b"x" * 80)]))
        kept = rows(history, "SELECT epoch_ns(recv_at) FROM quarantine ORDER BY recv_at")
    assert [(t_ns - T0_NS) // SECOND_NS for (t_ns,) in kept] == [10, 11, 12, 13, 14]


@pytest.mark.parametrize(
    ("limits", "kept"),
    [(QuarantineLimits(rows=4, payload_bytes=10**6), 4), (QuarantineLimits(rows=10**6, payload_bytes=30), 6)],
    ids=["rows", "bytes"],
)
def test_a_trickle_is_capped_as_a_flood_is(path: Path, limits: QuarantineLimits, kept: int) -> None:
    """Message by message in commits of their own, no more than the cap is ever held, and never less."""
    with History.open(path, limits=limits) as history:
        for number in range(12):
            history.commit(Batch(PARLOR, quarantined=[refused(number, b"12345")]))
            assert len(rows(history, "FROM quarantine")) == min(number + 1, kept)


def test_a_huge_refused_payload_is_cut(history: History) -> None:
    """Of a 10 MB message only the beginning is kept."""
    history.commit(Batch(PARLOR, quarantined=[refused(0, b"[" * 10_000_000)]))
    assert rows(history, "SELECT octet_length(payload) FROM quarantine") == [(4096,)]
