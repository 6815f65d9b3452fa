"""A disk that is full, for one process: no file of it may grow beyond a size."""

from __future__ import annotations

import resource
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def file_limit(size_bytes: int) -> Iterator[None]:
    """Let no file of this process grow beyond a size, as a full disk would."""
    former = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size_bytes, former[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, former)
