"""The same switch for functions that numba compiles: it reads and notes by the address of the memory.

Where numba is told to compile nothing (``NUMBA_DISABLE_JIT``) they are the interpreter's.
"""

# ruff: noqa: ARG001, ARG005, PLW0108 - numba goes by the names of arguments, used or not

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from typing import Any

import numba
from llvmlite import ir
from numba import types
from numba.extending import intrinsic, overload

from tests.mutation.switch import (
    ACTIVE,
    ARITHMETIC,
    COMPARISONS,
    NO_MUTANT,
    SEEN,
    arithmetic,
    comparison,
    interpreted,
)


def _mark(context: Any, builder: Any, memory: Any, k: Any) -> None:
    """Write a 1 for mutant ``k`` into one of the switch's arrays of bytes."""
    start = builder.inttoptr(context.get_constant(types.intp, memory.ctypes.data), ir.IntType(8).as_pointer())
    builder.store(ir.Constant(ir.IntType(8), 1), builder.gep(start, [k]))


@intrinsic
def on(_typing: Any, k: Any) -> Any:
    """Note that a mutant was reached, and tell whether it is the living one."""

    def generate(context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        (number,) = arguments
        _mark(context, builder, SEEN, number)
        place = context.get_constant(types.intp, ACTIVE.ctypes.data)
        living = builder.load(builder.inttoptr(place, ir.IntType(64).as_pointer()))
        return builder.icmp_signed("==", living, number)

    return types.boolean(types.int64), generate


@intrinsic
def no_mutant(_typing: Any, k: Any) -> Any:
    """Note that this change is none here."""

    def generate(context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        _mark(context, builder, NO_MUTANT, arguments[0])
        return context.get_constant(types.boolean, False)

    return types.boolean(types.int64), generate


def _boundary_on(k, a, b): ...
def _number(k, value): ...
def _returned(k, value): ...


# Not annotated: numba wants the same words at an overload and at what it returns.
@overload(_boundary_on)
def _overload_boundary_on(k, a, b):
    if isinstance(a, types.Float) or isinstance(b, types.Float):
        return lambda k, a, b: no_mutant(k)
    return lambda k, a, b: on(k)


@overload(_number)
def _overload_number(k, value):
    if isinstance(value, types.Boolean) or not isinstance(value, types.Number):

        def whole(k, value):
            no_mutant(k)
            return value

        return whole
    one = 1.0 if isinstance(value, types.Float) else 1

    def doubled(k, value):
        if on(k):
            return value * 2 if value != 0 else value + one
        return value * 1

    return doubled


@overload(_returned)
def _overload_returned(k, value):
    if isinstance(value, types.Boolean):
        return lambda k, value: value != on(k)
    if isinstance(value, types.Number):
        return lambda k, value: value + 1 if on(k) else value + 0
    return lambda k, value: value


@cache
def helpers() -> dict[str, Callable[..., Any]]:
    """Return the helpers of compiled functions, by the names they have there."""
    if numba.config.DISABLE_JIT:
        plain = interpreted()
        return {name.replace("_mutant_", "_native_"): plain[name] for name in plain}
    alive = numba.njit(lambda k: on(k))
    at_boundary = numba.njit(lambda k, a, b: _boundary_on(k, a, b))
    tools = (alive, at_boundary)
    return {
        "_native_on": alive,
        "_native_number": numba.njit(lambda k, value: _number(k, value)),
        "_native_return": numba.njit(lambda k, value: _returned(k, value)),
        "_native_not": numba.njit(lambda k, condition: bool(condition) != alive(k)),
        **{f"_native_{name}": numba.njit(comparison(name, tools)) for name in COMPARISONS},
        **{f"_native_{name}": numba.njit(arithmetic(name, alive)) for name in ARITHMETIC},
    }
