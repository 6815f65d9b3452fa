"""A whole process ends every user's mistake in one line and the promised exit code."""

from __future__ import annotations

import socket
import subprocess
import sys
from pathlib import Path

import pytest

from store.history import History

pytestmark = pytest.mark.system


def quietclaw(*words: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run(  # noqa: S603 - our own program
        [sys.executable, "-m", "dashboards.main", *map(str, words)],
        capture_output=True,
        text=True,
        stdin=subprocess.DEVNULL,
        timeout=120,
        check=False,
    )


def assert_one_line(done: subprocess.CompletedProcess[str], code: int) -> None:
    assert done.returncode == code, done.stderr
    assert done.stderr.startswith("quietclaw: ")
    assert done.stderr.count("\n") == 1, done.stderr


def test_a_wrong_option_ends_with_2() -> None:
    """The option is named, no traceback is shown."""
    done = quietclaw("demo", "--minuts", 3)
    assert_one_line(done, 2)
    assert "--minuts" in done.stderr


def test_an_unreadable_capture_ends_with_2(tmp_path: Path) -> None:
    """A file that is no capture is named."""
    junk = tmp_path / "junk.parquet"
    junk.write_bytes(bytes(range(256)) * 20)
    done = quietclaw("replay", junk, "--db", tmp_path / "h.duckdb")
    assert_one_line(done, 2)
    assert "junk.parquet" in done.stderr


def test_a_wrong_key_in_the_configuration_ends_with_2(tmp_path: Path) -> None:
    """The file and the key are named."""
    config = tmp_path / "farm.toml"
    config.write_text('[parlor]\nname = "willowmere"\nstals = 4\n')
    done = quietclaw("run", "--config", config)
    assert_one_line(done, 2)
    assert "farm.toml" in done.stderr
    assert "stal" in done.stderr


def test_a_history_in_use_ends_with_3(tmp_path: Path) -> None:
    """While another process has the file, the user learns what to do instead."""
    db = tmp_path / "h.duckdb"
    with History.open(db):
        done = quietclaw("query", "--db", db, "SELECT 1")
    assert_one_line(done, 3)
    assert "--url" in done.stderr


def test_a_broker_that_is_not_there_ends_with_4(tmp_path: Path) -> None:
    """A closed port is a broker error, for the service and for the simulator alike."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        url = f"mqtt://127.0.0.1:{probe.getsockname()[1]}"
        config = tmp_path / "farm.toml"
        config.write_text(
            f'[broker]\nurl = "{url}"\n[parlor]\nname = "willowmere"\nstalls = 4\n'
            f'[store]\npath = "{tmp_path / "h.duckdb"}"\n[http]\nport = 0\n'
        )
        served = quietclaw("run", "--config", config)
        simulated = quietclaw("simulate", "--broker", url, "--stalls", 2, "--hours", 0.01, "--out", tmp_path)
    assert served.returncode == 4, served.stderr
    assert "quietclaw: mqtt://127.0.0.1" in served.stderr.splitlines()[-1]
    assert "Traceback" not in served.stderr
    assert_one_line(simulated, 4)
