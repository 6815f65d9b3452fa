"""The switch that turns one mutant on, and what stands in a mutated function in place of its operators.

All mutants of a module are built into it at once; the number in ``ACTIVE`` says which one is alive, so
that a compiled kernel is compiled once and not once for each mutant. Every helper also notes in ``SEEN``
that its mutant was reached, which says which tests can kill it. Compiled code reads the same memory by
its address; a forked process has its own copy of it.
"""

from __future__ import annotations

import operator
from collections.abc import Callable
from typing import Any, Final

import numpy as np

MOST: Final = 16384
"""Mutants in one room at the most."""
ACTIVE: Final = np.zeros(1, np.int64)
SEEN: Final = np.zeros(MOST, np.uint8)
NO_MUTANT: Final = np.zeros(MOST, np.uint8)
"""No changes: boundaries of measured numbers, which are never equal, and constants that are no numbers."""

_active: Final = memoryview(ACTIVE)
_seen: Final = memoryview(SEEN)
_no_mutant: Final = memoryview(NO_MUTANT)
_FRACTIONS: Final = (float, np.floating, np.ndarray)

COMPARISONS: Final = {
    "Lt": (operator.lt, operator.le, operator.ge),
    "LtE": (operator.le, operator.lt, operator.gt),
    "Gt": (operator.gt, operator.ge, operator.le),
    "GtE": (operator.ge, operator.gt, operator.lt),
    "Eq": (operator.eq, None, operator.ne),
    "NotEq": (operator.ne, None, operator.eq),
}
"""Comparison, its neighbour at the boundary, its opposite."""
ARITHMETIC: Final = {
    "Add": (operator.add, operator.sub),
    "Sub": (operator.sub, operator.add),
    "Mult": (operator.mul, operator.add),
    "Div": (operator.truediv, operator.mul),
    "FloorDiv": (operator.floordiv, operator.mul),
    "Mod": (operator.mod, operator.floordiv),
    "Pow": (operator.pow, operator.mul),
    "BitAnd": (operator.and_, operator.or_),
    "BitOr": (operator.or_, operator.and_),
    "LShift": (operator.lshift, operator.rshift),
    "RShift": (operator.rshift, operator.lshift),
}
"""Operator and what a mutant puts in its place."""


def on(k: int) -> bool:
    """Note that a mutant was reached, and tell whether it is the living one."""
    _seen[k] = 1
    return _active[0] == k


def boundary_on(k: int, a: Any, b: Any) -> bool:
    """Do the same for a boundary, which is none where measured numbers are compared."""
    if isinstance(a, _FRACTIONS) or isinstance(b, _FRACTIONS):
        _no_mutant[k] = 1
        return False
    return on(k)


def number(k: int, value: Any) -> Any:
    """Return a constant, doubled by its mutant (0 becomes 1)."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        _no_mutant[k] = 1
        return value
    return (value * 2 or type(value)(1)) if on(k) else value


def returned(k: int, value: Any) -> Any:
    """Return a result, or with the mutant another one of its kind: the opposite, one more, or nothing."""
    kinds = (str, bytes, list, tuple, dict, set)
    if value is None or (isinstance(value, kinds) and not value):
        _no_mutant[k] = 1
        return value
    if not on(k):
        return value
    if isinstance(value, bool | np.bool_):
        return not value
    if isinstance(value, int | float):
        return value + 1
    return type(value)() if isinstance(value, kinds) else None


def comparison(name: str, tools: tuple[Any, Any]) -> Callable[..., Any]:
    """Build what stands in place of a comparison; ``tools`` are :func:`on` and :func:`boundary_on`."""
    plain, boundary, opposite = COMPARISONS[name]
    alive, alive_at_boundary = tools
    if boundary is None:

        def equality(k: int, a: Any, b: Any) -> Any:
            return opposite(a, b) if alive(k) else plain(a, b)

        return equality

    def compare(k: int, a: Any, b: Any) -> Any:
        if alive_at_boundary(k + 1, a, b):
            return boundary(a, b)
        return opposite(a, b) if alive(k) else plain(a, b)

    return compare


def arithmetic(name: str, alive: Any) -> Callable[..., Any]:
    """Build what stands in place of an operator."""
    plain, other = ARITHMETIC[name]

    def combine(k: int, a: Any, b: Any) -> Any:
        return other(a, b) if alive(k) else plain(a, b)

    return combine


def negated(k: int, condition: Any) -> bool:
    """Return a condition, or its opposite when the mutant lives."""
    return bool(condition) != on(k)


def interpreted() -> dict[str, Callable[..., Any]]:
    """Return the helpers of functions that the interpreter runs, by the names they have there."""
    tools = (on, boundary_on)
    return {
        "_mutant_on": on,
        "_mutant_number": number,
        "_mutant_return": returned,
        "_mutant_not": negated,
        **{f"_mutant_{name}": comparison(name, tools) for name in COMPARISONS},
        **{f"_mutant_{name}": arithmetic(name, on) for name in ARITHMETIC},
    }
