"""Libraries are read in without the collector of garbage, which is at work again afterwards."""

from __future__ import annotations

import gc
import os
import subprocess
import sys
from importlib import import_module

import pytest

from dashboards.loading import ALGEBRA_THREADS, loading

ONE_THREAD = """
from dashboards.loading import loading
with loading():
    import numpy
import os
print(len(os.listdir("/proc/self/task")))
"""


def test_nothing_is_collected_while_libraries_load(monkeypatch: pytest.MonkeyPatch) -> None:
    """Within the block the collector is away; after it, also after an error, it is back."""
    monkeypatch.setenv(ALGEBRA_THREADS, "1")
    with loading():
        assert not gc.isenabled()
    assert gc.isenabled()
    with pytest.raises(ImportError), loading():
        import_module("no_such_module_of_ours")
    assert gc.isenabled()
    gc.unfreeze()


def test_what_the_environment_says_of_threads_stands(monkeypatch: pytest.MonkeyPatch) -> None:
    """One thread unless another number is asked for."""
    monkeypatch.setenv(ALGEBRA_THREADS, "2")
    with loading():
        assert os.environ[ALGEBRA_THREADS] == "2"
    monkeypatch.delenv(ALGEBRA_THREADS)
    with loading():
        assert os.environ[ALGEBRA_THREADS] == "1"
    gc.unfreeze()


def test_algebra_has_no_threads_of_its_own() -> None:
    """A process that has loaded numpy so has the one thread it began with."""
    environment = {name: value for name, value in os.environ.items() if name != ALGEBRA_THREADS}
    command = [sys.executable, "-c", ONE_THREAD]
    run = subprocess.run(command, env=environment, capture_output=True, text=True, check=True)  # noqa: S603 - ours
    assert run.stdout.split() == ["1"]
