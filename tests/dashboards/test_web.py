"""The HTTP side answers what it promises and refuses the rest with a reason."""

from __future__ import annotations

import http.client
import json
from pathlib import Path
from typing import Any

import pytest

from dashboards.access import Access, Role, new_token
from dashboards.cautions import CAUTIONS
from dashboards.web import JSON, MAX_BODY_BYTES, Request, answer, serving
from detect.errors import InputError, StoreError


class FakeService:
    """A service with known answers."""

    def __init__(self, reasons: list[str] | None = None) -> None:
        self.reasons = reasons or []
        self.notes: list[dict[str, Any]] = []
        self.copy = Path("unused")

    def metrics(self) -> bytes:
        """Give one line."""
        return b"quietclaw_plant_dips_total 0.0\n"

    def complaints(self) -> list[str]:
        """Give the reasons set."""
        return self.reasons

    def facts(self) -> dict[str, str]:
        """Give a hostile name."""
        return {"Parlor": "<willowmere>"}

    def query(self, sql: str, params: list[Any]) -> dict[str, Any]:
        """Echo, or fail on two words."""
        if sql == "broken":
            raise InputError("syntax error")
        if sql == "locked":
            raise StoreError("the store is closed")
        return {"sql": sql, "params": params}

    def note(self, entry: dict[str, Any]) -> None:
        """Remember the entry."""
        self.notes.append(entry)

    def backup(self) -> Path:
        """Give a file of three million bytes."""
        self.copy.write_bytes(b"abc" * 1_000_000)
        return self.copy


def port_of(url: str) -> int:
    return int(url.rsplit(":", 1)[1].strip("/"))


def post(path: str, body: bytes, **other: Any) -> Request:
    return Request("POST", path, **({"content_type": JSON, "body": body} | other))


@pytest.mark.parametrize(
    ("request_", "status"),
    [
        (Request("GET", "/"), 200),
        (Request("GET", "/metrics?x=1"), 200),
        (Request("GET", "/health"), 200),
        (Request("GET", "/v1/query"), 405),
        (Request("DELETE", "/"), 405),
        (Request("GET", "/etc/passwd"), 404),
        (post("/v1/query", b'{"sql": "from milking"}'), 200),
        (post("/v1/query", b'{"sql": 3}'), 400),
        (post("/v1/query", b'{"sql": "x", "params": {}}'), 400),
        (post("/v1/query", b"[]"), 400),
        (post("/v1/query", b"\xff{"), 400),
        (post("/v1/query", b'{"sql": "broken"}'), 400),
        (post("/v1/query", b'{"sql": "locked"}'), 503),
        (post("/v1/query", b"{}", content_type="text/plain"), 415),
        (post("/v1/note", b'{"what": "liners changed"}'), 200),
    ],
)
def test_each_request_gets_its_status(request_: Request, status: int) -> None:
    """Right requests are answered, wrong ones refused with a JSON reason."""
    reply = answer(FakeService(), request_)
    assert reply.status == status
    if status >= 400:
        assert json.loads(reply.body)["error"]


def test_health_tells_the_reasons() -> None:
    """A sick service answers 503 and says why."""
    reply = answer(FakeService(["no message for 40 s"]), Request("GET", "/health"))
    assert reply.status == 503
    assert json.loads(reply.body) == {"healthy": False, "reasons": ["no message for 40 s"]}


def test_the_page_carries_the_cautions_and_escapes_names() -> None:
    """Whoever opens the page reads the limits; a parlor's name cannot become markup."""
    page = answer(FakeService(), Request("GET", "/")).body.decode()
    assert all(line.replace("'", "&#x27;") in page for line in CAUTIONS)
    assert "&lt;willowmere&gt;" in page


def test_a_real_socket_serves_and_bounds_the_body() -> None:
    """The server answers over TCP, and a body over the limit is refused unread."""
    with serving(FakeService(), host="127.0.0.1", port=0) as url:
        connection = http.client.HTTPConnection("127.0.0.1", port_of(url), timeout=5)
        connection.request("GET", "/metrics")
        assert connection.getresponse().read() == b"quietclaw_plant_dips_total 0.0\n"
        connection.request("POST", "/v1/query", b'{"sql": "from milking"}', {"Content-Type": JSON})
        assert json.load(connection.getresponse()) == {"sql": "from milking", "params": []}
        connection.putrequest("POST", "/v1/query")
        connection.putheader("Content-Length", str(MAX_BODY_BYTES + 1))
        connection.endheaders()
        assert connection.getresponse().status == 413
        connection.close()


def test_a_taken_port_is_the_users_error() -> None:
    """A second server on the same port ends in one clear line."""
    with (
        serving(FakeService(), host="127.0.0.1", port=0) as url,
        pytest.raises(InputError, match="cannot listen on"),
        serving(FakeService(), host="127.0.0.1", port=port_of(url)),
    ):
        pass


def test_a_backup_is_sent_whole_and_removed(tmp_path: Path) -> None:
    """The file arrives byte for byte, and nothing of it stays with the service."""
    service = FakeService()
    service.copy = tmp_path / "copy"
    with serving(service, host="127.0.0.1", port=0) as url:
        connection = http.client.HTTPConnection("127.0.0.1", port_of(url), timeout=5)
        connection.request("POST", "/v1/backup", b"{}", {"Content-Type": JSON})
        assert connection.getresponse().read() == b"abc" * 1_000_000
        connection.request("GET", "/health")
        assert connection.getresponse().status == 200
        connection.close()
    assert not service.copy.exists()


def test_tokens_are_asked_for_at_the_door() -> None:
    """With tokens nobody is answered without one; a browser is told how to ask for it."""
    token, table = new_token("tablet", [Role.VIEW])
    digest = bytes.fromhex(table.partition('sha256 = "')[2][:64])
    access = Access({digest: frozenset({Role.VIEW})})
    with serving(FakeService(), host="127.0.0.1", port=0, access=access) as url:
        connection = http.client.HTTPConnection("127.0.0.1", port_of(url), timeout=5)
        connection.request("GET", "/metrics")
        reply = connection.getresponse()
        assert (reply.status, reply.headers["WWW-Authenticate"]) == (401, 'Basic realm="quietclaw"')
        assert b"a token is needed" in reply.read()
        connection.request("GET", "/metrics", headers={"Authorization": f"Bearer {token}"})
        assert connection.getresponse().read() == b"quietclaw_plant_dips_total 0.0\n"
        headers = {"Authorization": f"Bearer {token}", "Content-Type": JSON}
        connection.request("POST", "/v1/query", b'{"sql": "from milking"}', headers)
        assert connection.getresponse().status == 403
        connection.close()
