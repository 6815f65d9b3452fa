"""What a process uses, as the system tells it."""

from __future__ import annotations

import os
from pathlib import Path


def memory_mb(pid: int, field: str = "VmRSS") -> float:
    """Return the resident memory of a process [MB], or another field of its status."""
    lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    return next(int(line.split()[1]) / 1024 for line in lines if line.startswith(field))


def cpu_s(pid: int) -> float:
    """Return the processor time of a process [s]."""
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")
