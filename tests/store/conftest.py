"""Histories in a temporary folder, and results drawn at random, for the store's tests."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from store.history import History


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Name a history file that does not exist yet."""
    return tmp_path / "history.duckdb"


@pytest.fixture
def history(path: Path) -> Iterator[History]:
    """Open an empty history."""
    with History.open(path) as opened:
        yield opened
