"""The benchmark's parts run on tiny input and count what they say they count."""

from __future__ import annotations

import pytest

from tests.bench.figures import TINY, exponent, significant
from tests.bench.parts import PARTS


@pytest.mark.parametrize("name", ["detector", "space", "growth", "views"])
def test_a_part_runs(name: str) -> None:
    """Every row has a figure; whether a bar is held says nothing at this size."""
    rows = list(PARTS[name](TINY))
    assert rows
    assert all(row.part == name and row.figure and (row.held is None) == (not row.bar) for row in rows)


def test_growth_in_proportion_has_exponent_one() -> None:
    """The exponent is the power of a power law."""
    assert exponent([1.0, 2.0, 4.0], [3.0, 6.0, 12.0]) == pytest.approx(1.0)
    assert exponent([1.0, 10.0], [5.0, 500.0]) == pytest.approx(2.0)


def test_figures_have_three_digits() -> None:
    """A figure claims no more than was measured."""
    assert [significant(v) for v in (0.0, 0.01234, 1.234, 61.25, 1234.5)] == [
        *("0", "0.0123", "1.23", "61.2"),
        "1234",
    ]
