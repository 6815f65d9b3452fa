"""Libraries read in at less cost, where a command is about to need many of them."""

from __future__ import annotations

import gc
import os
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Final

ALGEBRA_THREADS: Final = "OPENBLAS_NUM_THREADS"
"""Environment variable of numpy's library of linear algebra, read when numpy is loaded."""


@contextmanager
def loading() -> Iterator[None]:
    """Read in libraries within the block, with the collector of garbage away and no threads for algebra.

    Nothing that is loaded is garbage, yet the collector looks through all of it again and again, and once
    more at the end of the process: a tenth of the processor time of a start (measured). The library of
    linear algebra starts a thread a core, which spins for some 50 ms; nothing here is large enough for it.
    A number of threads that the environment names stands.
    """
    os.environ.setdefault(ALGEBRA_THREADS, "1")
    gc.disable()
    try:
        yield
    finally:
        gc.freeze()
        gc.enable()
