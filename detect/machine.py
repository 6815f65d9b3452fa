"""Compile numeric functions, and keep the machine code only as long as the sources stand.

numba's own cache looks at the file of the compiled function, not at the functions it calls in other
files: after an upgrade a stale kernel would go on running. So the cache folder carries a digest of
every source file of this room. This is the one place of the room that touches a disk.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from types import ModuleType
from typing import Any, Final, TypeVar, cast

import numba
from numba.core.caching import FunctionCache
from numba.core.registry import cpu_target
from numba.core.runtime.nrt import rtsys

F = TypeVar("F", bound=Callable[..., Any])

CACHE_VARIABLE: Final = "QUIETCLAW_CACHE_DIR"
"""Environment variable naming a writable folder, for an installation that is read-only."""
KEEP_S: Final = 7 * 86_400
"""Older machine code is kept this long [s]: another process may still be running from it."""
_NOT_NEEDED: Final = ("numba.np.arraymath", "numba.np.arrayobj")
"""Modules that finished code names and never looks into; they bring numpy.f2py, unittest and scipy.linalg."""


class _Kept(FunctionCache):
    """numba's own cache, which loads machine code without getting ready to compile.

    numba first reads in all that it can compile, although finished code needs none of it: a quarter of a
    second of processor time and 15 MB of memory at every start (measured with numba 0.68). The kept code
    names the modules of numba's own functions within it, 12 MB that only an interpreted function would use.
    """

    def load_overload(self, sig: Any, target_context: Any) -> Any:
        """Return the kept code for these types, None when there is none."""
        rtsys.initialize(target_context)  # what allocates arrays: the only part that finished code needs
        with self._guard_against_spurious_io_errors(), _empty_in_place_of(_NOT_NEEDED):
            return self._load_overload(sig, target_context)  # type: ignore[no-untyped-call]


@contextmanager
def _empty_in_place_of(names: tuple[str, ...]) -> Iterator[None]:
    """Let modules that are not loaded yet pass for loaded within the block."""
    empty = {name: ModuleType(name) for name in names if name not in sys.modules}
    sys.modules.update(empty)
    try:
        yield
    finally:
        for name in empty:
            sys.modules.pop(name, None)  # a thread that came here at the same time may have been first


def compiled(function: F) -> F:
    """Compile a pure numeric function; numba decides on the types at its first call.

    Other threads run meanwhile: whoever calls it owns its arrays until it returns. So nobody counts who
    else holds them, which took a third of all time (measured), and the function cannot make arrays.
    """
    return _compiled(function, {"_nrt": False})


def compiled_allocating(function: F) -> F:
    """Compile a function that makes arrays, or calls one that returns them."""
    return _compiled(function, {"_nrt": True})


def _compiled(function: F, options: dict[str, Any]) -> F:
    dispatcher: Any = numba.njit(function, nogil=True, forceinline=True, error_model="numpy", **options)
    if _FOLDER is not None:
        settings: Any = numba.config
        before, settings.CACHE_DIR = settings.CACHE_DIR, str(_FOLDER)
        try:
            # What njit(cache=True) does with FunctionCache.
            dispatcher._cache = _Kept(function)  # type: ignore[no-untyped-call]
        finally:
            settings.CACHE_DIR = before
    return cast("F", dispatcher)


def _sources() -> list[Path]:
    """Return the source files of this room."""
    return sorted(Path(__file__).parent.glob("*.py"))


def _cache_folder() -> Path | None:
    """Return the writable folder of this very source, without those of older ones; None if there is none."""
    digest = hashlib.sha256(b"".join(path.read_bytes() for path in _sources())).hexdigest()
    parent = Path(os.environ.get(CACHE_VARIABLE) or Path(__file__).parent / "__pycache__")
    folder = parent / f"machine-{digest[:12]}"
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError:
        return None
    if not os.access(folder, os.W_OK):
        return None
    stale_s = time.time() - KEEP_S
    for old in parent.glob("machine-*"):
        if old != folder and old.stat().st_mtime < stale_s:
            shutil.rmtree(old, ignore_errors=True)
    return folder


def whole_mark() -> Path | None:
    """Return the file that stands once all of this machine's code is kept; None where none can be kept."""
    if _FOLDER is None:
        return None
    # All that numba looks at before it takes kept code: itself, the machine, place and age of each source.
    sources = [(str(path), path.stat().st_mtime_ns) for path in _sources()]
    made_for = (numba.__version__, sys.version, cpu_target.target_context.codegen().magic_tuple(), sources)
    return _FOLDER / f"whole-{hashlib.sha256(repr(made_for).encode()).hexdigest()[:12]}"


_FOLDER: Final = _cache_folder()
