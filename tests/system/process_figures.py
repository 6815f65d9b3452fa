"""What a process uses, as the system tells it."""

from __future__ import annotations

import os
from itertools import pairwise
from pathlib import Path

from tests.meanwhile import Meanwhile


def memory_mb(pid: int, field: str = "VmRSS") -> float:
    """Return the resident memory of a process [MB], or another field of its status."""
    lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    return next(int(line.split()[1]) / 1024 for line in lines if line.startswith(field))


def cpu_s(pid: int) -> float:
    """Return the processor time of a process [s]."""
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def family(pid: int) -> list[int]:
    """Return a process and all that it has started."""
    children = [int(child) for path in Path(f"/proc/{pid}/task").glob("*/children") for child in _words(path)]
    return [pid, *(member for child in children for member in family(child))]


def family_mb(pid: int) -> float:
    """Return the memory of a process and all that it has started [MB].

    What a process has for itself is counted for each, what it shares (code, for the most part) for the one
    that shares most; with whom it is shared does not matter.
    """
    own_kb, shared_kb = 0, 0
    for member in family(pid):
        words = _words(Path(f"/proc/{member}/smaps_rollup"))
        kb = {name: int(size) for name, size in pairwise(words) if name.endswith(":")}
        own = kb.get("Private_Clean:", 0) + kb.get("Private_Dirty:", 0)
        own_kb, shared_kb = own_kb + own, max(shared_kb, kb.get("Rss:", 0) - own)
    return (own_kb + shared_kb) / 1024


class FamilyMemory(Meanwhile):
    """Look at the memory of a process and all that it starts for as long as the block lasts."""

    def __init__(self, pid: int, *, every_s: float = 0.05) -> None:
        self.most_mb = 0.0
        self._pid = pid
        self._every_s = every_s
        super().__init__(self._watch)

    def _watch(self) -> None:
        while not self.over.wait(self._every_s):
            self.most_mb = max(self.most_mb, family_mb(self._pid))


def _words(path: Path) -> list[str]:
    """Return what a file of the system says; nothing when the process has ended meanwhile."""
    try:
        return path.read_text().split()
    except OSError:
        return []
