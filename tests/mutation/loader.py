"""Import one module with its mutants in place of the module on disk."""

from __future__ import annotations

import importlib.abc
import importlib.machinery
import importlib.util
import sys
from collections.abc import Sequence
from pathlib import Path
from types import CodeType, ModuleType

from tests.mutation import compiled, switch
from tests.mutation.transform import Mutant, mutated


class MutatedLoader(importlib.machinery.SourceFileLoader):
    """Loads a module's mutated tree and gives it the helpers; no byte code is kept."""

    def __init__(self, name: str, path: str) -> None:
        super().__init__(name, path)
        self.tree, self.mutants = mutated(Path(path).read_text())
        if len(self.mutants) >= switch.MOST:
            raise ValueError(f"{name}: more than {switch.MOST} mutants")

    def get_code(self, fullname: str) -> CodeType:
        """Compile the mutated tree."""
        return compile(self.tree, self.get_filename(fullname), "exec", dont_inherit=True)

    def exec_module(self, module: ModuleType) -> None:
        """Run the module with the helpers at hand."""
        vars(module).update(switch.interpreted() | compiled.helpers())
        super().exec_module(module)


class MutatedFinder(importlib.abc.MetaPathFinder):
    """Finds the one module that is to be mutated."""

    def __init__(self, name: str, path: Path) -> None:
        self.name = name
        self.loader = MutatedLoader(name, str(path))

    @property
    def mutants(self) -> list[Mutant]:
        """The mutants that were built in."""
        return self.loader.mutants

    def find_spec(
        self, fullname: str, path: Sequence[str] | None = None, target: ModuleType | None = None
    ) -> importlib.machinery.ModuleSpec | None:
        """Answer for our module only."""
        del path, target
        if fullname != self.name:
            return None
        return importlib.util.spec_from_file_location(fullname, self.loader.path, loader=self.loader)


def install(name: str, home: Path) -> list[Mutant]:
    """Make the next import of a module the mutated one; return its mutants."""
    finder = MutatedFinder(name, home / f"{name.replace('.', '/')}.py")
    sys.meta_path.insert(0, finder)
    return finder.mutants
