"""The schedule of faults."""

from __future__ import annotations

import pytest

from simulator.faults import CONDITION_OF, Fault, FaultBook, FaultKind


def test_a_fault_stands_in_its_half_open_span_at_its_stall():
    """A fault holds from its start up to, not including, its end, and nowhere else."""
    book = FaultBook([Fault(FaultKind.BAD_LINER, 3, 10.0, 20.0, 4.0)])
    assert book.size(FaultKind.BAD_LINER, 3, 9.9) is None
    assert book.size(FaultKind.BAD_LINER, 3, 10.0) == 4.0
    assert book.size(FaultKind.BAD_LINER, 3, 20.0) is None
    assert book.size(FaultKind.BAD_LINER, 4, 15.0) is None
    assert book.size(FaultKind.BLOCKED_VENT, 3, 15.0) is None


def test_a_fault_without_a_stall_stands_at_all_of_them():
    """A fault of the whole parlor reaches every stall; the stall's own one goes before it."""
    everywhere = Fault(FaultKind.LOSS_BURST, None, 0.0, 5.0, 0.5)
    book = FaultBook([everywhere, Fault(FaultKind.LOSS_BURST, 2, 0.0, 5.0, 0.9)])
    assert book.size(FaultKind.LOSS_BURST, 1, 1.0) == 0.5
    assert book.size(FaultKind.LOSS_BURST, 2, 1.0) == 0.9
    assert book.size(FaultKind.LOSS_BURST, None, 1.0) == 0.5


def test_faults_of_a_kind_come_in_order():
    """All dips of the plant are found, earliest first."""
    dips = [Fault(FaultKind.PLANT_DIP, None, t, t + 1.0, 3.0) for t in (50.0, 10.0)]
    assert [fault.from_s for fault in FaultBook(dips).of_kind(FaultKind.PLANT_DIP)] == [10.0, 50.0]


def test_a_fault_that_ends_before_it_begins_is_refused():
    """Spans run forwards."""
    with pytest.raises(ValueError, match="bad_liner"):
        Fault(FaultKind.BAD_LINER, 1, 5.0, 5.0)


def test_a_technician_s_faults_have_the_words_of_the_truth():
    """Every fault of valve, vent, pulsator and sensor has its word; those of people and network have none."""
    words = set(CONDITION_OF.values())
    assert words == {
        "sensor_frozen",
        "sensor_zero_off",
        "vent_blocked",
        "slow_vacuum_decay",
        "pulsation_off",
        "steady_leak",
    }
    assert FaultKind.LOSS_BURST not in CONDITION_OF
