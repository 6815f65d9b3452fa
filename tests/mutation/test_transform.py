"""Built-in faults change nothing while none lives, and something when one does."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import numba
import pytest

from tests.mutation import compiled, switch
from tests.mutation.transform import Mutant, mutated

LIMIT = 3
SOURCE = '''
def clipped(values, least):
    """Sum what lies between a least value and the limit."""
    total = [0]
    for value in values:
        if value >= least and value < LIMIT:
            total[0] += 2 * value
        elif value == 9:
            continue
        total[0] -= 1
    return total[0]
'''
VALUES = (2, 3, 1, 9, -4)


@pytest.fixture
def nobody() -> Iterator[None]:
    """Leave the switch as it was found."""
    yield
    switch.ACTIVE[0] = 0
    switch.SEEN[:] = 0
    switch.NO_MUTANT[:] = 0


def built(*, native: bool) -> tuple[Callable[..., Any], list[Mutant]]:
    """Return the function with its faults, interpreted or compiled."""
    source = SOURCE.replace("\ndef", "\n@compiled\ndef") if native else SOURCE
    tree, mutants = mutated(source)
    names = {"LIMIT": LIMIT, "compiled": numba.njit} | switch.interpreted() | compiled.helpers()
    exec(compile(tree, "toy", "exec", dont_inherit=True), names)  # noqa: S102 - our own text
    return names["clipped"], mutants


def summed(clipped: Callable[..., Any]) -> int | None:
    """Return the sum of the values, None where a fault reads beyond the end."""
    try:
        return int(clipped(VALUES, 1))
    except IndexError:
        return None


@pytest.mark.parametrize("native", [False, True], ids=["interpreted", "compiled"])
@pytest.mark.usefixtures("nobody")
def test_each_fault_shows_and_none_shows_by_itself(*, native: bool) -> None:
    """With no fault alive the sum is the hand's; each one alone, reached by these values, changes it."""
    clipped, mutants = built(native=native)
    assert summed(clipped) == 2 * 2 - 1 - 1 + 2 * 1 - 1 - 1
    assert len({mutant.number for mutant in mutants}) == len(mutants) > 12
    silent = []
    for mutant in mutants:
        switch.ACTIVE[0] = mutant.number
        if summed(clipped) == 2:
            silent.append(mutant.what)
        assert switch.SEEN[mutant.number] == 1
    assert silent == []


@pytest.mark.usefixtures("nobody")
def test_a_boundary_between_measured_numbers_is_no_fault() -> None:
    """Numbers with a fraction are never equal: the boundary's number is noted as no mutant."""
    compare = switch.interpreted()["_mutant_Lt"]
    assert compare(1, 1.5, 2.5)
    assert switch.NO_MUTANT[2] == 1
    switch.ACTIVE[0] = 2
    assert not compare(1, 2.5, 2.5)
    assert compare(1, 2, 2)


def test_what_runs_at_import_and_text_is_left_alone() -> None:
    """Defaults, annotations, decorators, formatted text and digits of rounding hold no faults."""
    source = "X = 3 + 4\ndef f(a: int = 5 * 6) -> str:\n    return f'{a + 1:.3f}'\n"
    assert [mutant.what for mutant in mutated(source)[1]] == ["another result"]
    assert [m.what for m in mutated("def g(a):\n    b = round(a, 3)\n    return b\n")[1]] == [
        "another result"
    ]
