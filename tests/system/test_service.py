"""The service as a whole process between a real broker and its HTTP side."""

from __future__ import annotations

import http.client
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from urllib.parse import urlsplit

import pytest

from dashboards.client import post
from dashboards.demo import reserve
from dashboards.main import main
from detect.errors import StoreError
from ingest.broker import EmbeddedBroker
from ingest.publisher import Publisher
from ingest.settings import load_settings
from ingest.wire import Message

pytestmark = pytest.mark.system

NOW_MS = time.time_ns() // 1_000_000
POISON = {
    "stall/1/vacuum": b'{"seq": 0, "t_ms": ',
    "stall/2/vacuum": b'{"seq": "0", "t_ms": %d, "rate_hz": 100, "kpa": [40]}' % NOW_MS,
    "stall/3/vacuum": b'{"seq": 0, "t_ms": %d, "rate_hz": 100, "kpa": [NaN]}' % NOW_MS,
    "stall/1/flow": b'{"seq": 0, "t_ms": %d, "kg_min": -1}' % NOW_MS,
    "stall/2/flow": b" " * 10_000_000,
    "stall/3/arm": b'{"seq": 0, "t_ms": 5, "rate_hz": 5, "angle_deg": [1], "cord_mm": [1]}',
    "stall/4/smell": b'{"seq": 0}',
    "stall/77/flow": b'{"seq": 0, "t_ms": %d, "kg_min": 1}' % NOW_MS,
}
GOOD = 40


@contextmanager
def running(config: Path) -> Iterator[tuple[subprocess.Popen[str], str]]:
    """Run the service and give its process and address; it is ended with the block."""
    with subprocess.Popen(  # noqa: S603 - our own program
        [sys.executable, "-m", "dashboards.main", "run", "--config", str(config)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        stdin=subprocess.DEVNULL,
        text=True,
        env=os.environ | {"PYTHONUNBUFFERED": "1"},
    ) as process:
        try:
            assert process.stdout is not None
            yield process, process.stdout.readline().removeprefix("serving ").strip()
        finally:
            process.kill()


def get(url: str, path: str) -> bytes:
    connection = http.client.HTTPConnection(urlsplit(url).netloc, timeout=5)
    try:
        connection.request("GET", path)
        return connection.getresponse().read()
    finally:
        connection.close()


def wait_for(url: str, sql: str, expected: int) -> None:
    """Ask again and again, at most 30 s, until a count is reached."""
    until = time.monotonic() + 30.0
    count = -1
    while time.monotonic() < until and count != expected:
        with suppress(StoreError):  # the history may not be open yet
            count = post(url, "v1/query", {"sql": sql, "params": []})["rows"][0][0]
    assert count == expected


def test_poison_ends_in_quarantine_and_the_rest_goes_on(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Each kind of bad message is kept with a reason, good ones are read, and the service stays healthy."""
    config = tmp_path / "farm.toml"
    with EmbeddedBroker() as broker:
        config.write_text(
            f'[broker]\nurl = "{broker.url}"\nreceive_maximum = 100\n'
            '[parlor]\nname = "willowmere"\nstalls = 4\n'
            f'[store]\npath = "{tmp_path / "h.duckdb"}"\n[http]\nport = 0\n'
        )
        settings = load_settings(config).config
        reserve(settings)
        with Publisher(settings.broker) as publisher:
            for seq, (topic, payload) in enumerate(POISON.items()):
                good = b'{"seq": %d, "t_ms": %d, "kg_min": 2}' % (seq, NOW_MS + seq * 1000)
                publisher.publish(Message(0, f"milking/willowmere/{topic}", payload))
                publisher.publish(Message(0, "milking/willowmere/stall/4/flow", good))
            for seq in range(len(POISON), GOOD):
                good = b'{"seq": %d, "t_ms": %d, "kg_min": 2}' % (seq, NOW_MS + seq * 1000)
                publisher.publish(Message(0, "milking/willowmere/stall/4/flow", good))
        with running(config) as (process, url):
            wait_for(url, "SELECT count(*) FROM quarantine WHERE length(reason) > 0", len(POISON))
            until = time.monotonic() + 30.0
            read = b""
            while b'outcome="read"} %d.0' % GOOD not in read and time.monotonic() < until:
                read = get(url, "/metrics")
            assert b'quietclaw_messages_total{outcome="read"} %d.0' % GOOD in read
            health = json.loads(get(url, "/health"))  # milk flow alone shows no slip
            assert health["reasons"] == ["no stall's vacuum has been heard for 30 s"]
            assert health["silent_stalls"] == [1, 2, 3, 4]

            assert main(["note", "--url", url, "--at", "2026-03-01", "--stalls", "2", "hose adjusted"]) == 0
            capsys.readouterr()
            sql = 'SELECT stall, what, "at" FROM maintenance'
            assert main(["query", "--url", url, "--format", "csv", sql]) == 0
            assert capsys.readouterr().out.splitlines()[1:] == ["2,hose adjusted,2026-03-01 00:00:00"]

            process.send_signal(signal.SIGTERM)
            assert process.wait(30) == 0
            assert process.stderr is not None
            assert "Traceback" not in process.stderr.read()


def test_ctrl_c_ends_quietly_with_130(tmp_path: Path) -> None:
    """Ctrl-C stops the service in order, without a traceback."""
    config = tmp_path / "farm.toml"
    with EmbeddedBroker() as broker:
        config.write_text(
            f'[broker]\nurl = "{broker.url}"\n[parlor]\nname = "willowmere"\nstalls = 4\n'
            f'[store]\npath = "{tmp_path / "h.duckdb"}"\n[http]\nport = 0\n'
        )
        with running(config) as (process, _):
            process.send_signal(signal.SIGINT)
            assert process.wait(30) == 130
            assert process.stderr is not None
            assert "Traceback" not in process.stderr.read()


def test_a_stop_does_not_wait_for_open_pages(tmp_path: Path) -> None:
    """With the live page open in two browsers the service still ends in order, at once."""
    config = tmp_path / "farm.toml"
    with EmbeddedBroker() as broker:
        config.write_text(
            f'[broker]\nurl = "{broker.url}"\n[parlor]\nname = "willowmere"\nstalls = 4\n'
            f'[store]\npath = "{tmp_path / "h.duckdb"}"\n[http]\nport = 0\n'
        )
        with running(config) as (process, url):
            assert b"/page/main.js" in get(url, "/")
            pages = [http.client.HTTPConnection(urlsplit(url).netloc, timeout=10) for _ in range(2)]
            streams = []
            for page in pages:
                page.request("GET", "/v1/live")
                streams.append(page.getresponse())
            assert all(stream.readline() == b"retry: 1000\n" for stream in streams)
            began_s = time.monotonic()
            process.send_signal(signal.SIGTERM)
            assert process.wait(30) == 0
            assert time.monotonic() - began_s < 10.0
            for page in pages:
                page.close()
