"""Import modules with their mutants in place of those on disk."""

from __future__ import annotations

import ast
import importlib.abc
import importlib.machinery
import importlib.util
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from types import CodeType, ModuleType

from tests.mutation import compiled, switch


class MutatedLoader(importlib.machinery.SourceFileLoader):
    """Loads a module's mutated tree and gives it the helpers; no byte code is kept."""

    def __init__(self, name: str, path: str, tree: ast.Module) -> None:
        super().__init__(name, path)
        self.tree = tree

    def get_code(self, fullname: str) -> CodeType:
        """Compile the mutated tree."""
        return compile(self.tree, self.get_filename(fullname), "exec", dont_inherit=True)

    def exec_module(self, module: ModuleType) -> None:
        """Run the module with the helpers at hand."""
        vars(module).update(switch.interpreted() | compiled.helpers())
        super().exec_module(module)


class MutatedFinder(importlib.abc.MetaPathFinder):
    """Finds the modules that are to be mutated."""

    def __init__(self, trees: Mapping[str, ast.Module], home: Path) -> None:
        self.loaders = {name: MutatedLoader(name, str(source(home, name)), trees[name]) for name in trees}

    def find_spec(
        self, fullname: str, path: Sequence[str] | None = None, target: ModuleType | None = None
    ) -> importlib.machinery.ModuleSpec | None:
        """Answer for our modules only."""
        del path, target
        if fullname not in self.loaders:
            return None
        loader = self.loaders[fullname]
        return importlib.util.spec_from_file_location(fullname, loader.path, loader=loader)


def source(home: Path, name: str) -> Path:
    """Return where a module's text is."""
    return home / f"{name.replace('.', '/')}.py"


def install(trees: Mapping[str, ast.Module], home: Path) -> None:
    """Make the next import of some modules the mutated one."""
    sys.meta_path.insert(0, MutatedFinder(trees, home))
    for name in trees:
        __import__(name)
