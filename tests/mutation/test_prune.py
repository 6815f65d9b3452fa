"""A tree from which mutants were taken out again is the source, but for those that are kept."""

from __future__ import annotations

import ast

import pytest

from tests.mutation.prune import pruned
from tests.mutation.transform import Mutant, mutated

SOURCE = '''
LIMIT = 3

def clipped(values, least):
    """Sum what lies between a least value and the limit."""
    total = [0]
    for value in values:
        if value >= least and value < LIMIT or (value == 7 and least):
            total[0] += 2 * value
        elif not value:
            continue
        while total[0] > 9 and value:
            total[0] -= 1
        if total[0] is None:
            raise ValueError(value)
        del values[0]
    return total[0] if values else False

@compiled
def halved(a, b):
    """Halve a difference."""
    c = -a / 2 - b
    return c
'''


def trees() -> tuple[ast.Module, list[Mutant]]:
    """Return the source with all mutants built in, numbered from 101 on."""
    return mutated(SOURCE, 100)


def test_without_any_mutant_it_is_the_source() -> None:
    """Every kind of helper is undone, and nothing else is changed."""
    tree, mutants = trees()
    assert len(mutants) > 25
    assert ast.unparse(pruned(tree, set())) == ast.unparse(ast.parse(SOURCE))


def test_with_all_mutants_nothing_is_taken_out() -> None:
    """What is kept stays as it was built in."""
    whole = ast.unparse(trees()[0])
    tree, mutants = trees()
    assert ast.unparse(pruned(tree, {100 + mutant.number for mutant in mutants})) == whole


@pytest.mark.parametrize("mutant", trees()[1], ids=lambda mutant: f"{mutant.number} {mutant.what}")
def test_each_mutant_can_be_kept_alone(mutant: Mutant) -> None:
    """Its number is in the tree, no other but the one a comparison shares its call with is."""
    tree = pruned(trees()[0], {100 + mutant.number})
    numbers = {node.value for node in ast.walk(tree) if isinstance(node, ast.Constant)}
    kept = {number for number in numbers if isinstance(number, int) and number > 100}
    assert kept & {100 + mutant.number, 99 + mutant.number}
    assert len(kept) == 1
    compile(tree, "toy", "exec", dont_inherit=True)
