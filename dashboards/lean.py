"""Memory that the running service does not need, given back to the system."""

from __future__ import annotations

import ctypes
import mmap
import sys
from pathlib import Path
from typing import Final

COMPILER: Final = "libllvmlite"
"""At work only while machine code is made or loaded; its 50 MB of code would stay resident (measured)."""
_CODE: Final = "r-xp"
"""Rights of a part that holds code: never written, so each page can be read from its file again."""


def give_back(library: str) -> int:
    """Drop the resident code of a loaded library; what is called after all is read from its file again.

    Parameters
    ----------
    library:
        Part of the name of the library's file.

    Returns
    -------
    int
        Parts of the library that were dropped; none where the system is not Linux.
    """
    if sys.platform != "linux":
        return 0
    advise = ctypes.CDLL(None).madvise
    advise.argtypes = (ctypes.c_void_p, ctypes.c_size_t, ctypes.c_int)
    dropped = 0
    for line in Path("/proc/self/maps").read_text().splitlines():
        span, rights, *_, name = line.split(maxsplit=5)
        if library in name and rights == _CODE:
            first, end = (int(address, 16) for address in span.split("-"))
            dropped += advise(first, end - first, mmap.MADV_DONTNEED) == 0
    return dropped
