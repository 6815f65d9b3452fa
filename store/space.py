"""How much room there is where a history is kept."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Final

LEAST_FREE_BYTES: Final = 256 * 2**20
"""Below this the service complains: four times what the engine's log may hold (engineering choice)."""


def free_space(path: Path) -> int:
    """Return the bytes free on the disk of a file, which need not exist; none where its folder is missing."""
    try:
        return shutil.disk_usage(path.parent).free
    except OSError:
        return 0
