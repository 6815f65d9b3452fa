"""The detector is compiled by another process, and what the service loads of it is small."""

from __future__ import annotations

import ast
import subprocess
import sys
import threading
from pathlib import Path

import pytest

import detect
from dashboards.warm import COMPILING, compile_apart
from detect.machine import CACHE_VARIABLE
from store.child_process import environment

ENDLESS = [sys.executable, "-c", "import time; time.sleep(600)"]
LOAD = """
import sys, threading
from pathlib import Path
from dashboards.warm import make_ready
make_ready(threading.Event())
status = Path("/proc/self/status").read_text().splitlines()
print(next(int(line.split()[1]) // 1024 for line in status if line.startswith("VmHWM")))
print(*sorted(name for name in sys.modules if name.startswith(("simulator", "scipy.linalg", "numpy.f2py"))))
"""


def run(*words: str, **more: str) -> list[str]:
    """Run Python in a process of its own and return the lines it prints."""
    done = subprocess.run(  # noqa: S603 - our own words
        [sys.executable, *words], env=environment() | more, capture_output=True, text=True, check=True
    )
    return done.stdout.splitlines()


def compiled_functions() -> set[str]:
    """Return the names of all functions of the detector that are compiled."""
    trees = [ast.parse(path.read_text()) for path in Path(detect.__file__).parent.glob("*.py")]
    functions = [node for tree in trees for node in ast.walk(tree) if isinstance(node, ast.FunctionDef)]
    return {f.name for f in functions if any(ast.unparse(d).startswith("compiled") for d in f.decorator_list)}


def test_a_new_machine_compiles_everything_apart_and_loads_it_small(tmp_path: Path) -> None:
    """The other process reaches every function; loading then peaks under 150 MB, without the compiler.

    A process that compiles by itself peaks at 450 MB. Left out is what only tests and studies call.
    """
    folder = {CACHE_VARIABLE: str(tmp_path)}
    with subprocess.Popen(COMPILING, env=environment() | folder, stdin=subprocess.PIPE) as compiling:  # noqa: S603
        assert compiling.wait() == 0
    kept = {path.name.split(".")[1].rpartition("-")[0] for path in tmp_path.rglob("*.nbi")}
    assert compiled_functions() - kept == {"_invert"}
    assert list(tmp_path.rglob("whole-*")) != []
    peak_mb, modules = run("-c", LOAD, **folder)
    assert int(peak_mb) < 150
    assert modules == ""


def test_a_stop_ends_the_waiting_and_the_other_process(tmp_path: Path) -> None:
    """A service that is told to stop while it waits for the compiler stops at once."""
    script = (
        "import threading\n"
        "from dashboards.warm import make_ready\n"
        "stop = threading.Event()\n"
        f"make_ready(stop, on_turn=stop.set, compiling={ENDLESS!r})\n"
        "print('stopped')\n"
    )
    assert run("-c", script, **{CACHE_VARIABLE: str(tmp_path)}) == ["stopped"]


def test_a_compiler_that_fails_stops_nothing(caplog: pytest.LogCaptureFixture) -> None:
    """The service then compiles as it goes on, and says so."""
    compile_apart([sys.executable, "-c", "raise SystemExit(3)"], threading.Event())
    assert "exit code 3" in caplog.text


def test_the_compiler_ends_with_a_service_that_was_killed(tmp_path: Path) -> None:
    """A killed service closes the pipe it held; compiling for nobody would take a minute of a core."""
    place = environment() | {CACHE_VARIABLE: str(tmp_path)}
    with subprocess.Popen(COMPILING, env=place, stdin=subprocess.PIPE) as process:  # noqa: S603 - our own words
        assert process.stdin is not None
        process.stdin.close()
        assert process.wait(30.0) == 1
    assert list(tmp_path.rglob("whole-*")) == []
