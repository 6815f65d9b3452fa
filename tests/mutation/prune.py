"""Take mutants that were not drawn out of a tree again: what is not built in costs no time.

A kernel with all its mutants compiles for minutes and runs several times slower than without; with the
few that were drawn it is nearly as fast as the original.
"""

from __future__ import annotations

import ast
from collections.abc import Set as AbstractSet
from dataclasses import dataclass

from tests.mutation.switch import ARITHMETIC, COMPARISONS

PREFIXES = ("_native_", "_mutant_")


class Undone(ast.Constant):
    """What is left of a switch that was not drawn, until its ``if``, ``and`` or ``or`` is undone too."""


@dataclass
class Pruner(ast.NodeTransformer):
    """Puts the original back in place of helpers whose number is not to be kept."""

    keep: AbstractSet[int]

    def visit_Call(self, node: ast.Call) -> ast.AST:
        """Undo one helper."""
        self.generic_visit(node)
        kind = helper_kind(node)
        if kind is None or not isinstance(node.args[0], ast.Constant):
            return node
        number = node.args[0].value
        boundary = COMPARISONS[kind][1] is not None if kind in COMPARISONS else False
        if number in self.keep or (boundary and number + 1 in self.keep):
            return node
        if kind == "on":
            return Undone(value=False)
        if kind in COMPARISONS:
            return ast.Compare(node.args[1], [getattr(ast, kind)()], [node.args[2]])
        if kind in ARITHMETIC:
            return ast.BinOp(node.args[1], getattr(ast, kind)(), node.args[2])
        return node.args[1]

    def visit_If(self, node: ast.If) -> ast.AST | list[ast.stmt]:
        """Undo ``if not on(number)`` around a statement."""
        self.generic_visit(node)
        return node.body if never_left_out(node.test) else node

    def visit_BoolOp(self, node: ast.BoolOp) -> ast.AST:
        """Undo what left a side out."""
        self.generic_visit(node)
        neutral = [v for v in node.values if isinstance(v, Undone) or never_left_out(v)]
        rest = [v for v in node.values if v not in neutral]
        return rest[0] if neutral and len(rest) == 1 else node


def helper_kind(node: ast.Call) -> str | None:
    """Return which helper a call is of, None for any other call."""
    if not isinstance(node.func, ast.Name):
        return None
    prefix = next((p for p in PREFIXES if node.func.id.startswith(p)), None)
    return node.func.id.removeprefix(prefix) if prefix else None


def never_left_out(node: ast.expr) -> bool:
    """Tell ``not`` of an undone switch."""
    return isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not) and isinstance(node.operand, Undone)


def pruned(tree: ast.Module, keep: AbstractSet[int]) -> ast.Module:
    """Return the tree with the mutants of these numbers only."""
    Pruner(keep).visit(tree)
    ast.fix_missing_locations(tree)
    return tree
