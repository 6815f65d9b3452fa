"""Machine code is kept exactly as long as the sources stand, and only where one may write."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import detect
from detect.machine import CACHE_VARIABLE, compiled, compiled_allocating

ROOM = Path(detect.__file__).parent
PROBE = """
import detect.machine as machine

def one_more(x):
    return x + 1

print(machine._FOLDER)
print(machine.compiled(one_more)(41))
"""


def run(home: Path, cache: Path | None = None) -> tuple[str, int]:
    """Compile a function in a process of its own; return the cache folder and the function's value."""
    env = {key: value for key, value in os.environ.items() if key != CACHE_VARIABLE}
    if cache is not None:
        env[CACHE_VARIABLE] = str(cache)
    command = [sys.executable, "-B", "probe.py"]
    done = subprocess.run(command, cwd=home, env=env, capture_output=True, text=True, check=True)  # noqa: S603
    folder, value = done.stdout.split()
    return folder, int(value)


@pytest.fixture
def home(tmp_path: Path) -> Path:
    """Return a folder with a copy of the room's machine and of one source."""
    room = tmp_path / "home" / "detect"
    room.mkdir(parents=True)
    for name in ("__init__.py", "machine.py", "units.py"):
        shutil.copy(ROOM / name, room / name)
    (room.parent / "probe.py").write_text(PROBE)
    return room.parent


def test_the_cache_folder_changes_with_any_source(home: Path, tmp_path: Path) -> None:
    """One more character in any source is another folder; old ones go after a week, other files stay."""
    cache = tmp_path / "cache"
    first, _ = run(home, cache)
    assert Path(first).parent == cache
    assert list(Path(first).rglob("*.nbi"))
    (cache / "keep.txt").write_text("not ours")
    (cache / "machine-0").mkdir()
    os.utime(cache / "machine-0", (0, 0))
    with (home / "detect" / "units.py").open("a") as source:
        source.write("\n")
    second, _ = run(home, cache)
    assert second != first
    assert Path(first).exists()
    assert Path(second).exists()
    assert not (cache / "machine-0").exists()
    assert (cache / "keep.txt").exists()


def test_without_a_variable_the_cache_lies_beside_the_sources(home: Path) -> None:
    """The folder is in the room's own cache of compiled files, the same for the same sources."""
    folder, value = run(home)
    assert Path(folder).parent == home / "detect" / "__pycache__"
    assert value == 42
    assert run(home) == (folder, 42)


def test_where_nobody_may_write_it_compiles_without_a_cache(home: Path, tmp_path: Path) -> None:
    """A folder that cannot be made (a file stands in its place) costs the cache, not the function."""
    blocked = tmp_path / "blocked"
    blocked.write_text("a file, no folder")
    assert run(home, blocked) == ("None", 42)


def make_three() -> Any:
    """Return an array made within."""
    return np.zeros(3)


def make_four() -> Any:
    """Return another one: kept code goes by the function."""
    return np.zeros(4)


def test_only_functions_that_say_so_make_arrays() -> None:
    """A compiled function does not count who holds an array, so one it made would never be given back."""
    assert compiled_allocating(make_three)().tolist() == [0.0, 0.0, 0.0]
    with pytest.raises(Exception, match="array passed into the function"):
        compiled(make_four)()


def test_the_room_has_no_other_way_to_compile() -> None:
    """Every compiled function of the room goes through this one place."""
    importing = [path.name for path in ROOM.glob("*.py") if "import numba" in path.read_text()]
    assert importing == ["machine.py"]
