"""What the tests stand on: ``python -m tests.citations`` prints the table that DEVELOPERS.md carries.

Each check against something outside of the project bears the marker ``source("citation")``; the table is
made from the markers in the text of the tests, so that it can neither claim a check that is not there nor
forget one. Name and table are in the words of the marker.
"""

from __future__ import annotations

import ast
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path
from typing import Final

TESTS: Final = Path(__file__).parent
BAR: Final = r"\|"
"""A bar within a cell of a table."""
HEADER: Final = "| stands on | tests |\n|---|---|"


def table() -> str:
    """Return the table: each citation once, in order of the alphabet, with the tests that bear it."""
    files: dict[str, set[str]] = defaultdict(set)
    for path in sorted(TESTS.rglob("test_*.py")):
        for citation in citations(ast.parse(path.read_text())):
            files[citation].add(str(path.relative_to(TESTS)).removesuffix(".py"))
    rows = []
    for citation in sorted(files, key=lambda text: (text.casefold(), text)):
        tests = ", ".join(f"`{name}`" for name in sorted(files[citation]))
        rows.append(f"| {citation.replace('|', BAR)} | {tests} |")
    return "\n".join([HEADER, *rows])


def citations(tree: ast.Module) -> Iterator[str]:
    """Give the words of every marker ``source`` in a module."""
    texts = {
        target.id: node.value
        for node in tree.body
        if isinstance(node, ast.Assign)
        for target in node.targets
        if isinstance(target, ast.Name)
    }
    for node in ast.walk(tree):
        if isinstance(node, ast.Call) and ast.unparse(node.func) == "pytest.mark.source":
            yield "".join(_words(node.args[0], texts))


def _words(node: ast.expr, texts: dict[str, ast.expr]) -> Iterator[str]:
    """Give the parts of a text that may be added up from constants of the module."""
    match node:
        case ast.Constant(value=str(text)):
            yield text
        case ast.Name(id=name):
            yield from _words(texts[name], texts)
        case ast.BinOp(left=left, right=right):
            yield from _words(left, texts)
            yield from _words(right, texts)
        case _:
            raise ValueError(f"not a plain text: {ast.unparse(node)}")


if __name__ == "__main__":
    print(table())
