"""The rules in the real prometheus and alertmanager: one stall is told, a storm is one message."""

from __future__ import annotations

import json
import shutil
import socket
import subprocess
import threading
import time
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import pytest

from tests.dashboards.stage import Pulse, S, Stage, milked

pytestmark = pytest.mark.system

FOLDER = Path(__file__).parents[2] / "dashboards" / "prometheus"
PROMETHEUS = shutil.which("prometheus") or "prometheus"
ALERTMANAGER = shutil.which("prometheus-alertmanager") or "prometheus-alertmanager"
STALLS = 80
PATIENCE_S = 90.0


class Office:
    """Whoever is told by alertmanager: keeps what fired, as name and stall."""

    def __init__(self) -> None:
        self.told: list[tuple[str, str | None]] = []
        told = self.told

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                """Take one message."""
                length = int(self.headers["Content-Length"])
                for alert in json.loads(self.rfile.read(length))["alerts"]:
                    if alert["status"] == "firing":
                        told.append((alert["labels"]["alertname"], alert["labels"].get("stall")))
                self.send_response(200)
                self.end_headers()

            def log_message(self, format: str, *args: object) -> None:
                """Stay silent."""

        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.port = self.server.server_address[1]


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@contextmanager
def office() -> Iterator[Office]:
    heard = Office()
    thread = threading.Thread(target=heard.server.serve_forever)
    thread.start()
    try:
        yield heard
    finally:
        heard.server.shutdown()
        heard.server.server_close()
        thread.join()


@contextmanager
def running(command: list[str], log: Path) -> Iterator[None]:
    with (
        log.open("w") as out,
        subprocess.Popen(command, stdout=out, stderr=out) as process,  # noqa: S603 - our own words
    ):
        try:
            yield
        finally:
            process.terminate()


@contextmanager
def watched(folder: Path, service: str, office_port: int) -> Iterator[str]:
    """Run prometheus and alertmanager with our rules; give the address of the latter."""
    prometheus, alertmanager = free_port(), free_port()
    shutil.copy(FOLDER / "quietclaw.rules.yml", folder)
    text = (FOLDER / "prometheus.yml").read_text()
    text = text.replace(": 5s", ": 1s").replace("127.0.0.1:9093", f"127.0.0.1:{alertmanager}")
    (folder / "prometheus.yml").write_text(text.replace("127.0.0.1:8420", service))
    text = (FOLDER / "alertmanager.yml").read_text()
    (folder / "alertmanager.yml").write_text(text.replace("127.0.0.1:9095", f"127.0.0.1:{office_port}"))
    commands = {
        "alertmanager": [
            ALERTMANAGER,
            f"--config.file={folder / 'alertmanager.yml'}",
            f"--storage.path={folder / 'alertmanager'}",
            f"--web.listen-address=127.0.0.1:{alertmanager}",
            "--cluster.listen-address=",
        ],
        "prometheus": [
            PROMETHEUS,
            f"--config.file={folder / 'prometheus.yml'}",
            f"--storage.tsdb.path={folder / 'tsdb'}",
            f"--web.listen-address=127.0.0.1:{prometheus}",
        ],
    }
    with (
        running(commands["alertmanager"], folder / "alertmanager.log"),
        running(commands["prometheus"], folder / "prometheus.log"),
    ):
        yield f"http://127.0.0.1:{alertmanager}/api/v2/alerts"


def wait(condition: Callable[[], bool], what: str) -> None:
    until_s = time.monotonic() + PATIENCE_S
    pause = threading.Event()
    while not condition():
        assert time.monotonic() < until_s, what
        pause.wait(0.2)


def alerts(url: str) -> list[dict[str, Any]]:
    try:
        with urllib.request.urlopen(url, timeout=5) as reply:  # noqa: S310 - loopback
            return list(json.load(reply))
    except OSError:
        return []


def suppressed(url: str, name: str) -> int:
    return sum(a["labels"]["alertname"] == name and a["status"]["state"] == "suppressed" for a in alerts(url))


@pytest.mark.source("Debian packages prometheus and prometheus-alertmanager")
def test_one_stall_is_told_and_a_storm_is_one_message(tmp_path: Path) -> None:
    """An uncarried unit reaches the office; then 80 units fall off at once: one message, 80 held back."""
    stage = Stage(tmp_path, stalls=STALLS)
    stage.step()
    with (
        office() as heard,
        stage.on_air() as url,
        Pulse(stage),
        watched(tmp_path, url.removeprefix("http://").strip("/"), heard.port) as api,
    ):
        stage.set(7, replace(milked(7), unsupported_since_ns=stage.t_ns - 60 * S))
        wait(lambda: heard.told == [("QuietclawNotCarried", "7")], f"told: {heard.told}")
        stage.set(7, milked(7))
        for stall in stage.stalls:
            stage.off(stall)
        wait(lambda: suppressed(api, "QuietclawUnitOff") == STALLS, "80 alerts held back")
        wait(lambda: len(heard.told) >= 2, "the storm is told")
        assert heard.told[1:] == [("QuietclawManyStalls", None)]
        stage.dip_since_ns = stage.t_ns - 10 * S
        wait(lambda: suppressed(api, "QuietclawManyStalls") == 1, "the plant speaks for the many")
        wait(lambda: len(heard.told) >= 3, "the plant is told")
        assert heard.told[2:] == [("QuietclawPlantLow", None)]
        assert len(stage.view.feed.book.alerts) == 1
