"""The server gives the page and its stream, carries plain answers, and lets no stranger act."""

from __future__ import annotations

import gzip
import http.client
import json
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from http import HTTPStatus
from pathlib import Path
from typing import Any

import pytest
from starlette.requests import Request as HttpRequest

from dashboards.access import Access, Role, new_token
from dashboards.asgi import MAX_BODY_BYTES, gate_of
from dashboards.http_server import serving
from dashboards.live.hub import QUEUE
from dashboards.page_files import ASSETS
from dashboards.web import JSON, Answer, refuse
from detect.errors import InputError
from store.history import History
from tests.dashboards.stage import Stage

STALLS = 4


@pytest.fixture
def stage(tmp_path: Path) -> Stage:
    return Stage(tmp_path, stalls=STALLS)


@pytest.fixture
def address(stage: Stage) -> Iterator[str]:
    with stage.on_air() as url:
        yield url.removeprefix("http://").strip("/")


def ask(
    address: str, method: str, path: str, body: bytes | None = None, **headers: str
) -> tuple[int, dict[str, str], bytes]:
    connection = http.client.HTTPConnection(address, timeout=10)
    try:
        connection.request(method, path, body, {k.replace("_", "-"): v for k, v in headers.items()})
        reply = connection.getresponse()
        return reply.status, {k.lower(): v for k, v in reply.getheaders()}, reply.read()
    finally:
        connection.close()


class Reader:
    """One browser's stream, read event by event."""

    def __init__(self, address: str, path: str = "/v1/live") -> None:
        self._connection = http.client.HTTPConnection(address, timeout=10)
        self._connection.request("GET", path)
        self._reply = self._connection.getresponse()
        assert self._reply.headers["content-type"].startswith("text/event-stream")

    def event(self) -> tuple[str, Any]:
        """Return the next event's name and value; empty at the stream's end."""
        name = ""
        for raw in self._reply:
            line = raw.decode().rstrip("\n")
            if line.startswith("event: "):
                name = line.removeprefix("event: ")
            elif line.startswith("data: "):
                return name, json.loads(line.removeprefix("data: "))
        return "", None

    def until(self, wanted: str) -> Any:
        """Return the value of the next event of a name."""
        while True:
            name, value = self.event()
            assert name, "the stream has ended"
            if name == wanted:
                return value

    def close(self) -> None:
        """Go away."""
        self._reply.close()
        self._connection.close()


@contextmanager
def reading(address: str, path: str = "/v1/live") -> Iterator[Reader]:
    reader = Reader(address, path)
    try:
        yield reader
    finally:
        reader.close()


def test_the_page_is_whole_small_and_guarded(address: str) -> None:
    """All that the first load needs is under 40 kB packed, and nothing may come from elsewhere."""
    total = 0
    for name, kind in ASSETS.items():
        status, headers, body = ask(address, "GET", f"/page/{name}", Accept_Encoding="gzip")
        assert (status, headers["content-type"]) == (200, kind)
        assert "default-src 'none'" in headers["content-security-policy"]
        assert "unsafe" not in headers["content-security-policy"]
        assert b"://" not in gzip.decompress(body).replace(b"http://www.w3.org/2000/svg", b"")
        total += len(body)
    assert total < 40_000
    status, _, body = ask(address, "GET", "/")
    assert (status, b"/page/main.js" in body) == (200, True)


def test_plain_answers_go_on_as_before(address: str) -> None:
    """Metrics, health and queries answer; too much is refused before it is read; the rest is not found."""
    assert b"quietclaw_stall_finding" in ask(address, "GET", "/metrics")[2]
    assert ask(address, "GET", "/health")[0] == 503  # no data yet
    status, _, body = ask(address, "POST", "/v1/query", b'{"sql": "SELECT 1 AS one"}', Content_Type=JSON)
    assert (status, json.loads(body)["rows"]) == (200, [[1]])
    assert ask(address, "POST", "/v1/query", b"{}", Content_Length=str(MAX_BODY_BYTES + 1))[0] == 413
    assert ask(address, "GET", "/page/secret")[0] == 404
    assert ask(address, "GET", "/etc/passwd")[0] == 404


def test_a_stream_begins_with_the_present_and_goes_on(address: str, stage: Stage) -> None:
    """A browser gets the whole record first, then what is new, and alerts at once."""
    stage.step(ns=2_000_000_000)
    with reading(address) as reader:
        snapshot = reader.until("snapshot")
        assert snapshot["facts"]["stalls"] == STALLS
        assert snapshot["age_s"] < 5.0
        stage.off(3)
        stage.step()
        alerts = reader.until("alerts")
        assert [(alert["stall"], alert["kind"]) for alert in alerts] == [(3, "unit_off")]


def test_a_slow_browser_is_given_the_present_and_harms_nobody(address: str, stage: Stage) -> None:
    """With more waiting than its queue holds it gets a new snapshot; the others have missed nothing."""
    with reading(address) as slow, reading(address) as quick:
        slow.until("snapshot")
        quick.until("snapshot")
        for k in range(20 * QUEUE):
            stage.view.feed.tell_day({"k": k, "padding": "x" * 20_000})
            if k % 16 == 15:
                assert quick.until("day")["k"] <= k
        last = 20 * QUEUE - 1
        assert up_to(quick, last)[-1] in ("day", "snapshot")
        names = up_to(slow, last)
        assert "snapshot" in names
        assert len(names) < last


def up_to(reader: Reader, last: int) -> list[str]:
    """Read on until the last figure, alone or within a snapshot, and return the names of what was read."""
    names = []
    while True:
        name, value = reader.event()
        names.append(name)
        if (value["day"] if name == "snapshot" else value)["k"] == last:
            return names


def test_an_alert_is_taken_by_name(address: str, stage: Stage) -> None:
    """The page's own request is accepted, and every browser hears who it is."""
    stage.off(2)
    stage.step()
    alert_id = stage.view.feed.book.alerts[0].alert_id
    with reading(address) as reader:
        reader.until("snapshot")
        path = f"/v1/alert/{alert_id}/acknowledge"
        reply = ask(address, "POST", path, b'{"name": "Ann"}', Content_Type=JSON, Origin=f"http://{address}")
        assert reply[0] == 200
        assert reader.until("alerts")[0]["taken_by"] == "Ann"
    assert ask(address, "POST", "/v1/alert/none/acknowledge", b'{"name": "Ann"}', Content_Type=JSON)[0] == 410
    assert ask(address, "POST", path, b'{"name": " "}', Content_Type=JSON)[0] == 400
    assert ask(address, "POST", path, b"[", Content_Type=JSON)[0] == 400


@pytest.mark.parametrize(
    "headers",
    [
        {"Content_Type": JSON, "Origin": "http://elsewhere.example"},
        {"Content_Type": JSON, "Sec_Fetch_Site": "cross-site"},
        {"Content_Type": "text/plain"},
        {},
    ],
)
def test_another_site_cannot_take_alerts(address: str, stage: Stage, headers: dict[str, str]) -> None:
    """What a stranger's page makes a browser send is refused, and the alert stays untaken."""
    stage.off(2)
    stage.step()
    (alert,) = stage.view.feed.book.alerts
    path = f"/v1/alert/{alert.alert_id}/acknowledge"
    assert ask(address, "POST", path, b'{"name": "Eve"}', **headers)[0] == 403
    assert stage.view.feed.book.alerts[0].taken_by is None


def test_a_stall_has_a_record_of_its_own(address: str) -> None:
    """A stall that does not exist is not found."""
    status, _, body = ask(address, "GET", "/v1/stall/3")
    assert (status, json.loads(body)["stall"]) == (200, 3)
    assert ask(address, "GET", f"/v1/stall/{STALLS + 1}")[0] == 404
    assert ask(address, "GET", "/v1/stall/x")[0] == 404


def test_the_server_stops_although_browsers_listen(stage: Stage) -> None:
    """Open streams are ended by us, so that a stop takes no longer than a moment."""
    with stage.on_air() as url:
        address = url.removeprefix("http://").strip("/")
        readers = [Reader(address) for _ in range(5)]
        for reader in readers:
            reader.until("snapshot")
        began_s = time.monotonic()
    assert time.monotonic() - began_s < 5.0
    assert all(reader.event()[0] == "" for reader in readers)
    for reader in readers:
        reader.close()
    assert [thread for thread in threading.enumerate() if thread.name == "http"] == []


def test_a_body_that_never_comes_is_not_waited_for(address: str) -> None:
    """Whoever promises a body and sends none blocks nobody else."""
    with socket.create_connection(tuple(address.split(":"))) as idle:
        idle.sendall(b"POST /v1/query HTTP/1.1\r\nHost: x\r\nContent-Length: 10\r\n\r\n")
        assert ask(address, "GET", "/health")[0] == 503  # no data yet


def test_a_taken_port_is_the_users_error(stage: Stage) -> None:
    """A second server on the same port ends in one clear line."""
    with stage.on_air() as url:
        port = int(url.rsplit(":", 1)[1].strip("/"))
        with (
            pytest.raises(InputError, match="cannot listen on"),
            serving(stage.view, host="127.0.0.1", port=port),
        ):
            pass


def test_a_gate_stands_before_every_address(stage: Stage) -> None:
    """Whom it refuses gets its answer and nothing else, neither page nor stream nor figures."""

    def gate(request: HttpRequest) -> Answer | None:
        known = request.headers.get("authorization") == "Bearer x"
        return None if known else refuse(HTTPStatus.UNAUTHORIZED, "a token is needed")

    with stage.opened(), serving(stage.view, host="127.0.0.1", port=0, gate=gate) as url:
        address = url.removeprefix("http://").strip("/")
        for path in ("/", "/page/main.js", "/v1/live", "/v1/stall/1", "/metrics", "/health"):
            assert ask(address, "GET", path)[0] == 401
        assert ask(address, "POST", "/v1/alert/x/acknowledge", b"{}")[0] == 401
        assert ask(address, "GET", "/", Authorization="Bearer x")[0] == 200


def test_a_backup_is_sent_whole_and_removed(stage: Stage, tmp_path: Path) -> None:
    """What arrives is a history that opens, and no copy of it stays with the service."""
    received = tmp_path / "received" / "h.duckdb"
    received.parent.mkdir()
    with stage.on_air() as url:
        address = url.removeprefix("http://").strip("/")
        status, _, body = ask(address, "POST", "/v1/backup", b"{}", content_type=JSON)
        assert ask(address, "GET", "/health")[0] in (200, 503)
    assert status == 200
    received.write_bytes(body)
    with History.open(received, read_only=True) as history:
        assert history.watermarks("willowmere") == {}
    assert not list(tmp_path.glob("*backup*"))


def test_tokens_are_asked_for_at_the_door(stage: Stage) -> None:
    """With tokens nobody is answered without one; a browser is told how to ask for it."""
    token, table = new_token("tablet", [Role.VIEW])
    digest = bytes.fromhex(table.partition('sha256 = "')[2][:64])
    access = Access({digest: frozenset({Role.VIEW})})
    with stage.on_air(gate=gate_of(access)) as url:
        address = url.removeprefix("http://").strip("/")
        status, headers, body = ask(address, "GET", "/metrics")
        assert (status, headers["www-authenticate"]) == (401, 'Basic realm="quietclaw"')
        assert b"a token is needed" in body
        bearer = f"Bearer {token}"
        assert ask(address, "GET", "/metrics", authorization=bearer)[0] == 200
        query = b'{"sql": "from milking"}'
        assert ask(address, "POST", "/v1/query", query, content_type=JSON, authorization=bearer)[0] == 403
