"""Digests tell whether two histories hold the same."""

from __future__ import annotations

from pathlib import Path

import pytest

from detect.results import Result
from store.checks import digest, identical
from store.history import Batch, History
from tests.store.drawn import PARLOR, air_event, condition, milking, one_of_each, refused


def test_order_does_not_matter(tmp_path: Path) -> None:
    """The same rows stored in another order give the same digest."""
    with History.open(tmp_path / "a") as one, History.open(tmp_path / "b") as other:
        one.commit(Batch(PARLOR, one_of_each()))
        other.commit(Batch(PARLOR, one_of_each()[::-1]))
        assert identical(one, other)


@pytest.mark.parametrize(
    "extra", [air_event(2), milking(2), condition(5), air_event(1, air_l=0.4000000000000001, event_id="z")]
)
def test_one_more_row_matters(tmp_path: Path, extra: Result) -> None:
    """A single row more in one history is seen in its table's digest and in no other's."""
    with History.open(tmp_path / "a") as one, History.open(tmp_path / "b") as other:
        one.commit(Batch(PARLOR, one_of_each()))
        other.commit(Batch(PARLOR, [*one_of_each(), extra]))
        differing = [name for name, value in digest(one).items() if digest(other)[name] != value]
    assert len(differing) == 1
    assert differing[0].split("_")[0] in type(extra).__name__.lower()


def test_the_last_digit_of_a_float_matters(tmp_path: Path) -> None:
    """Two figures that differ in the last bit are not the same."""
    with History.open(tmp_path / "a") as one, History.open(tmp_path / "b") as other:
        one.commit(Batch(PARLOR, [air_event(1, air_l=0.3)]))
        other.commit(Batch(PARLOR, [air_event(1, air_l=0.1 + 0.2)]))
        assert not identical(one, other)


def test_refused_input_counts_too(tmp_path: Path) -> None:
    """A refused message in one history only is a difference."""
    with History.open(tmp_path / "a") as one, History.open(tmp_path / "b") as other:
        one.commit(Batch(PARLOR, quarantined=[refused(1)]))
        assert not identical(one, other)
