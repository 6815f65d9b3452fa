"""Memory that the running service does not need, given back to the system."""

from __future__ import annotations

import ctypes
import mmap
import re
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Final

COMPILER: Final = "libllvmlite"
"""At work only while machine code is made or loaded; its 65 MB would stay resident (measured)."""
ENGINE: Final = "_duckdb"
"""Most of what opening a file takes is not needed for commits: 15 of its 40 MB come back (measured)."""
_HEAD: Final = re.compile(r"([0-9a-f]+)-([0-9a-f]+) (\S+) .*?(/\S.*)?$")
_UNWRITTEN: Final = re.compile(r"Anonymous: +0 kB")


def give_back(library: str) -> int:
    """Drop the resident pages of a loaded library; what is needed after all is read from its file again.

    Only parts that nobody may write and that are as they stand in the file are dropped.

    Parameters
    ----------
    library:
        Part of the name of the library's file.

    Returns
    -------
    int
        Bytes of address space that were dropped; none where the system is not Linux.
    """
    if sys.platform != "linux":
        return 0
    advise = ctypes.CDLL(None).madvise
    advise.argtypes = (ctypes.c_void_p, ctypes.c_size_t, ctypes.c_int)
    dropped = 0
    for first, end in _unwritten(Path("/proc/self/smaps").read_text(), library):
        if advise(first, end - first, mmap.MADV_DONTNEED) == 0:
            dropped += end - first
    return dropped


def trim() -> None:
    """Give freed memory back that the C library holds for later; nothing where it is another library."""
    if sys.platform == "linux" and hasattr(library := ctypes.CDLL(None), "malloc_trim"):
        library.malloc_trim(0)


def _unwritten(smaps: str, library: str) -> Iterator[tuple[int, int]]:
    """Yield where the unwritten parts of a library begin and end."""
    part: tuple[int, int] | None = None
    for line in smaps.splitlines():
        if head := _HEAD.match(line):
            ours = library in (head[4] or "") and "w" not in head[3]
            part = (int(head[1], 16), int(head[2], 16)) if ours else None
        elif part and _UNWRITTEN.match(line):
            yield part
