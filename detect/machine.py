"""Compile numeric functions, and keep the machine code only as long as the sources stand.

numba's own cache looks at the file of the compiled function, not at the functions it calls in other
files: after an upgrade a stale kernel would go on running. So the cache folder carries a digest of
every source file of this room. This is the one place of the room that touches a disk.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final, TypeVar, cast

import numba
from numba.core.caching import FunctionCache
from numba.core.runtime.nrt import rtsys

F = TypeVar("F", bound=Callable[..., Any])

CACHE_VARIABLE: Final = "QUIETCLAW_CACHE_DIR"
"""Environment variable naming a writable folder, for an installation that is read-only."""
KEEP_S: Final = 7 * 86_400
"""Older machine code is kept this long [s]: another process may still be running from it."""


class _Kept(FunctionCache):
    """numba's own cache, which loads machine code without getting ready to compile.

    numba first reads in all that it can compile, although finished code needs none of it: a quarter of a
    second of processor time and 15 MB of memory at every start (measured with numba 0.68).
    """

    def load_overload(self, sig: Any, target_context: Any) -> Any:
        """Return the kept code for these types, None when there is none."""
        rtsys.initialize(target_context)  # what allocates arrays: the only part that finished code needs
        with self._guard_against_spurious_io_errors():
            return self._load_overload(sig, target_context)  # type: ignore[no-untyped-call]


def compiled(function: F) -> F:
    """Compile a pure numeric function; numba decides on the types at its first call.

    Other threads run meanwhile: whoever calls it owns its arrays until it returns.
    """
    dispatcher: Any = numba.njit(function, nogil=True, forceinline=True)
    if _FOLDER is not None:
        settings: Any = numba.config
        before, settings.CACHE_DIR = settings.CACHE_DIR, str(_FOLDER)
        try:
            # What njit(cache=True) does with FunctionCache.
            dispatcher._cache = _Kept(function)  # type: ignore[no-untyped-call]
        finally:
            settings.CACHE_DIR = before
    return cast("F", dispatcher)


def _cache_folder() -> Path | None:
    """Return the writable folder of this very source, without those of older ones; None if there is none."""
    here = Path(__file__).parent
    digest = hashlib.sha256(b"".join(path.read_bytes() for path in sorted(here.glob("*.py")))).hexdigest()
    parent = Path(os.environ.get(CACHE_VARIABLE) or here / "__pycache__")
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


_FOLDER: Final = _cache_folder()
