"""Whole programs are tested with the machine code at hand, as they run from their second start on."""

from __future__ import annotations

import threading

import pytest

from dashboards.warm import COMPILING, compile_apart
from detect.machine import whole_mark


@pytest.fixture(scope="session", autouse=True)
def _machine_code() -> None:
    """Compile once, so that no test's patience is spent on it."""
    mark = whole_mark()
    if mark is not None and not mark.exists():
        compile_apart(COMPILING, threading.Event())
