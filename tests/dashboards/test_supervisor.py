"""The supervisor hears that the service is up, that it works, and that it ends; nothing else."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest

from dashboards.supervisor import Supervisor

UNIT = Path(__file__).parents[2] / "ingest" / "quietclaw.service"
PATIENCE_S = 20.0
EXPOSURE_LIMIT = 20


@contextmanager
def ear(address: str) -> Iterator[socket.socket]:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listening:
        listening.bind(address)
        listening.settimeout(PATIENCE_S)
        yield listening


@pytest.mark.source("sd_notify(3): datagrams of assignments; @ stands for an abstract address (from memory)")
@pytest.mark.parametrize("abstract", [False, True])
def test_words_arrive_at_either_kind_of_address(tmp_path: Path, *, abstract: bool) -> None:
    """Ready, alive and stopping are one datagram each, in the words the protocol has."""
    name = f"quietclaw-test-{os.getpid()}"
    with ear(f"\0{name}" if abstract else str(tmp_path / "ear")) as listening:
        told = f"@{name}" if abstract else str(tmp_path / "ear")
        supervisor = Supervisor({"NOTIFY_SOCKET": told, "WATCHDOG_USEC": "60000000"}, clock_s=lambda: 0.0)
        supervisor.ready("listening")
        supervisor.alive()
        supervisor.alive()
        supervisor.stopping()
        heard = [listening.recv(200) for _ in range(3)]
    assert heard == [b"READY=1\nSTATUS=listening", b"WATCHDOG=1", b"STOPPING=1"]


def test_signs_of_life_keep_within_the_deadline(tmp_path: Path) -> None:
    """Four signs a watchdog period, however often the loop turns."""
    now = [0.0]
    with ear(str(tmp_path / "ear")) as listening:
        environ = {"NOTIFY_SOCKET": str(tmp_path / "ear"), "WATCHDOG_USEC": "4000000"}
        supervisor = Supervisor(environ, clock_s=lambda: now[0])
        for _ in range(100):
            supervisor.alive()
            now[0] += 0.05
        listening.setblocking(False)
        heard = []
        with suppress(BlockingIOError):
            while True:
                heard.append(listening.recv(200))
    assert heard == [b"WATCHDOG=1"] * 5


def test_without_a_supervisor_nothing_is_said(tmp_path: Path) -> None:
    """No address, or one where nobody listens, is no error."""
    Supervisor({}).ready("x")
    Supervisor({"NOTIFY_SOCKET": str(tmp_path / "nobody")}).stopping()


def test_the_unit_is_valid_and_hardened(tmp_path: Path) -> None:
    """The systemd tools find no unknown key, and an exposure below 2 of 10."""
    unit = tmp_path / "quietclaw.service"
    unit.write_text(UNIT.read_text().replace("/opt/quietclaw/.venv/bin/quietclaw", sys.executable))
    checks = {
        "verify": ["systemd-analyze", "verify", "--man=no", str(unit)],
        "security": [
            *("systemd-analyze", "security", "--offline=true", f"--threshold={EXPOSURE_LIMIT}"),
            str(unit),
        ],
    }
    done = {
        name: subprocess.run(words, capture_output=True, text=True, check=False, timeout=60)  # noqa: S603
        for name, words in checks.items()
    }
    ours = [line for line in done["verify"].stderr.splitlines() if "quietclaw.service" in line]
    assert ours == []
    assert done["verify"].returncode == 0, done["verify"].stderr
    assert done["security"].returncode == 0, done["security"].stdout[-600:]
