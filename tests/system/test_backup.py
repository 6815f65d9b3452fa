"""A backup taken from the running service restores it, and gateways fill in what came later."""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from dashboards.client import post
from dashboards.demo import reserve
from dashboards.main import main
from detect.errors import InputError
from ingest.broker import EmbeddedBroker
from ingest.config import Config
from ingest.publisher import Publisher
from ingest.settings import load_settings
from ingest.wire import Message
from store.verify import verify
from tests.system.test_service import running, wait_for

pytestmark = pytest.mark.system

NOW_MS = time.time_ns() // 1_000_000
TOPIC = "milking/willowmere/stall/1/flow"
SEQ = f"SELECT max(seq) FROM watermark WHERE topic = '{TOPIC}'"  # noqa: S608 - a constant


def flows(first: int, end: int) -> list[Message]:
    frames = (b'{"seq": %d, "t_ms": %d, "kg_min": 2}' % (n, NOW_MS + n * 1000) for n in range(first, end))
    return [Message(0, TOPIC, frame) for frame in frames]


def send(config: Config, messages: list[Message]) -> None:
    with Publisher(config.broker) as publisher:
        for message in messages:
            publisher.publish(message)


def test_a_backup_of_the_running_service_restores_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Taken with a token while messages come; put back, it goes on from there without storing twice."""
    config, tokens, db = tmp_path / "farm.toml", tmp_path / "tokens.toml", tmp_path / "h.duckdb"
    assert main(["token", "--file", str(tokens), "--name", "office", "--role", "query"]) == 0
    token = capsys.readouterr().out.strip()
    with EmbeddedBroker() as broker:
        config.write_text(
            f'[broker]\nurl = "{broker.url}"\nreceive_maximum = 100\n'
            '[parlor]\nname = "willowmere"\nstalls = 4\n'
            f'[store]\npath = "{db}"\n[http]\nport = 0\ntoken_file = "{tokens}"\n'
        )
        settings = load_settings(config).config
        reserve(settings)
        with running(config) as (process, url):
            with pytest.raises(InputError, match="QUIETCLAW_TOKEN"):
                post(url, "v1/query", {"sql": "SELECT 1"})
            monkeypatch.setenv("QUIETCLAW_TOKEN", token)
            send(settings, flows(0, 20))
            wait_for(url, SEQ, 19)
            assert main(["backup", "--url", url, "--out", str(tmp_path / "backups")]) == 0
            send(settings, flows(20, 40))
            wait_for(url, SEQ, 39)
            process.terminate()
            assert process.wait(30) == 0
            assert process.stderr is not None
            assert token not in process.stderr.read()
        [backup] = (tmp_path / "backups").iterdir()
        assert verify(backup)["quarantine"] == 0
        backup.replace(db)
        with running(config) as (_, url):
            wait_for(url, SEQ, 19)
            send(settings, flows(10, 40))  # a gateway goes back to where the service stands
            wait_for(url, SEQ, 39)
            asked = {"sql": "SELECT count(*) FROM condition_event"}
            assert post(url, "v1/query", asked)["rows"] == [[0]]


def test_a_backup_of_a_file_is_a_copy(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Without a service the file itself is copied, and the copy answers."""
    db = tmp_path / "h.duckdb"
    assert main(["note", "--db", str(db), "--at", "2026-03-01", "liners changed"]) == 0
    assert main(["backup", "--db", str(db), "--out", str(tmp_path / "backups")]) == 0
    assert "1 rows in" in capsys.readouterr().out
    [copy] = (tmp_path / "backups").iterdir()
    assert main(["query", "--db", str(copy), "--format", "csv", "SELECT what FROM maintenance"]) == 0
    assert capsys.readouterr().out == "what\nliners changed\n"
