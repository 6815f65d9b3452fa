"""Build all mutants of a module into its syntax tree, each behind its own number.

Only what runs within a function is changed: what runs at import (defaults, dataclass fields, tables of
constants) cannot be switched afterwards. Constants of the module are changed where a function uses them.
Text is left alone, and with it SQL; a statement that runs SQL is left out by a mutant of its own.
"""

from __future__ import annotations

import ast
from dataclasses import dataclass, field
from typing import Final

from tests.mutation.switch import ARITHMETIC, COMPARISONS

NEGATED_BY_ITSELF: Final = (ast.Compare, ast.NamedExpr)
"""Conditions whose own mutant is the negation already, or whose value is used as well."""
COMPILED_ELSEWHERE: Final = {"flow_function"}
"""Functions without a decorator that another module compiles as well."""
TYPE_CALLS: Final = {"isinstance", "cast", "getattr"}


@dataclass(frozen=True, slots=True)
class Mutant:
    """One change: its number in the module, where it is and what it does."""

    number: int
    line: int
    what: str


@dataclass
class Mutator(ast.NodeTransformer):
    """Puts calls of the switch's helpers in place of operators, and conditions before statements."""

    mutants: list[Mutant] = field(default_factory=list)
    prefix: str = ""
    """Which helpers the function at hand uses; empty outside of functions."""
    base: int = 0
    """Added to a number where the switch is asked: several modules share one switch."""

    def note(self, node: ast.AST, what: str) -> ast.Constant:
        """Take the next number for a change of a node."""
        self.mutants.append(Mutant(len(self.mutants) + 1, getattr(node, "lineno", 0), what))
        return ast.Constant(self.base + len(self.mutants))

    def call(self, helper: str, *arguments: ast.expr) -> ast.Call:
        """Return a call of a helper of the function at hand."""
        return ast.Call(ast.Name(f"{self.prefix}{helper}", ast.Load()), list(arguments), [])

    def visit_FunctionDef(self, node: ast.FunctionDef) -> ast.FunctionDef:
        """Change the body; decorators, defaults and annotations run at import."""
        before = self.prefix
        native = any("compiled" in ast.unparse(decorator) for decorator in node.decorator_list)
        native = native or node.name in COMPILED_ELSEWHERE
        self.prefix = before or ("_native_" if native else "_mutant_")
        first = 1 if ast.get_docstring(node) is not None else 0
        node.body[first:] = [self.visit(statement) for statement in node.body[first:]]
        self.prefix = before
        return node

    def visit_AnnAssign(self, node: ast.AnnAssign) -> ast.AST:
        """Change the value only."""
        if self.prefix and node.value is not None:
            node.value = self.visit(node.value)
        return node

    def visit_JoinedStr(self, node: ast.JoinedStr) -> ast.JoinedStr:
        """Leave text alone."""
        return node

    def visit_match_case(self, node: ast.match_case) -> ast.match_case:
        """Leave the pattern alone."""
        node.guard = self.visit(node.guard) if node.guard is not None else None
        node.body = [self.visit(statement) for statement in node.body]
        return node

    def visit_Call(self, node: ast.Call) -> ast.AST:
        """Leave types alone, how many digits are kept, and ``strict=``."""
        if isinstance(node.func, ast.Name) and node.func.id in TYPE_CALLS:
            return node
        if isinstance(node.func, ast.Name) and node.func.id == "round":
            node.args[0] = self.visit(node.args[0])
            return node
        node.func = self.visit(node.func)
        node.args = [self.visit(argument) for argument in node.args]
        for keyword in node.keywords:
            keyword.value = keyword.value if keyword.arg == "strict" else self.visit(keyword.value)
        return node

    def visit_Compare(self, node: ast.Compare) -> ast.AST:
        """Change a comparison to its neighbour at the boundary and to its opposite."""
        self.generic_visit(node)
        name = type(node.ops[0]).__name__
        if not self.prefix or len(node.ops) > 1:
            return self.flip(node, "chain negated") if self.prefix else node
        if name not in COMPARISONS:
            return self.flip(node, f"{name} negated") if self.prefix != "_native_" else node
        number = self.note(node, f"{name} to its opposite")
        if COMPARISONS[name][1] is not None:
            self.note(node, f"{name} at its boundary")
        return self.call(name, number, node.left, node.comparators[0])

    def flip(self, node: ast.expr, what: str) -> ast.expr:
        """Negate a condition."""
        return self.call("not", self.note(node, what), node)

    def visit_BinOp(self, node: ast.BinOp) -> ast.AST:
        """Change an operator."""
        self.generic_visit(node)
        name = type(node.op).__name__
        text = any(
            isinstance(side, ast.JoinedStr | ast.List | ast.Tuple)
            or (isinstance(side, ast.Constant) and isinstance(side.value, str | bytes))
            for side in (node.left, node.right)
        )
        if not self.prefix or name not in ARITHMETIC or text:
            return node
        return self.call(
            name, self.note(node, f"{name} to {ARITHMETIC[name][1].__name__}"), node.left, node.right
        )

    def visit_BoolOp(self, node: ast.BoolOp) -> ast.AST:
        """Leave one side out of ``and`` or ``or``."""
        self.generic_visit(node)
        if not self.prefix:
            return node
        word = "and" if isinstance(node.op, ast.And) else "or"
        for i, side in enumerate(node.values):
            if i == len(node.values) - 1 and word == "or" and self.prefix == "_mutant_":
                continue  # ``value or default``: the last side may be no condition
            alive = self.call("on", self.note(node, f"side {i + 1} of {word} left out"))
            dead = ast.UnaryOp(ast.Not(), alive)
            both = [alive, side] if word == "and" else [dead, side]
            node.values[i] = ast.BoolOp(ast.Or() if word == "and" else ast.And(), both)
        return node

    def visit_Constant(self, node: ast.Constant) -> ast.AST:
        """Double a number, turn a truth value round."""
        if not self.prefix or not isinstance(node.value, bool | int | float):
            return node
        if isinstance(node.value, bool):
            return self.flip(node, f"{node.value} turned round")
        return self.call("number", self.note(node, f"constant {node.value} doubled"), node)

    def visit_Name(self, node: ast.Name) -> ast.AST:
        """Double a constant of a module where it is used."""
        if not self.prefix or not isinstance(node.ctx, ast.Load) or not node.id.lstrip("_").isupper():
            return node
        return self.call("number", self.note(node, f"{node.id} doubled"), node)

    def visit_Attribute(self, node: ast.Attribute) -> ast.Attribute:
        """Leave the owner of an attribute alone when it is a constant."""
        if not isinstance(node.value, ast.Name):
            self.generic_visit(node)
        return node

    def visit_Subscript(self, node: ast.Subscript) -> ast.Subscript:
        """Leave the table alone when it is a constant, and which dimension of a shape is meant."""
        if not isinstance(node.value, ast.Name):
            node.value = self.visit(node.value)
        if not (isinstance(node.value, ast.Attribute) and node.value.attr == "shape"):
            node.slice = self.visit(node.slice)
        return node

    def visit_If(self, node: ast.If) -> ast.AST:
        """Negate the condition."""
        return self.condition(node)

    def visit_While(self, node: ast.While) -> ast.AST:
        """Negate the condition."""
        return self.condition(node)

    def visit_IfExp(self, node: ast.IfExp) -> ast.AST:
        """Negate the condition."""
        return self.condition(node)

    def condition(self, node: ast.If | ast.While | ast.IfExp) -> ast.AST:
        """Negate what is asked, unless its comparison is negated already."""
        plain = isinstance(node.test, (*NEGATED_BY_ITSELF, ast.Constant))
        self.generic_visit(node)
        if self.prefix and not plain:
            node.test = self.flip(node.test, "condition negated")
        return node

    def visit_Return(self, node: ast.Return) -> ast.AST:
        """Return another result of the same kind."""
        whole = isinstance(node.value, ast.Compare | ast.Constant | ast.BoolOp | ast.Tuple | None)
        self.generic_visit(node)
        if self.prefix and not whole and node.value is not None:
            node.value = self.call("return", self.note(node, "another result"), node.value)
        return node

    def visit_Expr(self, node: ast.Expr) -> ast.AST:
        """Leave a call out."""
        return self.left_out(node, isinstance(node.value, ast.Call | ast.Yield | ast.YieldFrom))

    def visit_Assign(self, node: ast.Assign) -> ast.AST:
        """Leave an assignment to a field or an element out."""
        return self.left_out(node, isinstance(node.targets[0], ast.Attribute | ast.Subscript))

    def visit_AugAssign(self, node: ast.AugAssign) -> ast.AST:
        """Leave an increment out."""
        return self.left_out(node, wanted=True)

    def visit_Raise(self, node: ast.Raise) -> ast.AST:
        """Leave a refusal out."""
        return self.left_out(node, wanted=self.prefix == "_mutant_")

    def visit_Delete(self, node: ast.Delete) -> ast.AST:
        """Leave a deletion out."""
        return self.left_out(node, wanted=True)

    def left_out(self, node: ast.stmt, wanted: bool) -> ast.AST:
        """Put a statement behind the switch."""
        what = ast.unparse(node).splitlines()[0]
        self.generic_visit(node)
        if not self.prefix or not wanted:
            return node
        alive = self.call("on", self.note(node, f"left out: {what[:60]}"))
        return ast.If(ast.UnaryOp(ast.Not(), alive), [node], [])


def mutated(source: str, base: int = 0) -> tuple[ast.Module, list[Mutant]]:
    """Return a module's tree with all mutants built in, numbered above a base, and their list."""
    mutator = Mutator(base=base)
    tree = mutator.visit(ast.parse(source))
    return ast.fix_missing_locations(tree), mutator.mutants
