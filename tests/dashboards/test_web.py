"""The HTTP side answers what it promises and refuses the rest with a reason."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from dashboards.web import JSON, Request, answer
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

    def silent_stalls(self) -> list[int]:
        """Give those that are silent."""
        return [3]

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


def post(path: str, body: bytes, **other: Any) -> Request:
    return Request("POST", path, **({"content_type": JSON, "body": body} | other))


@pytest.mark.parametrize(
    ("request_", "status"),
    [
        (Request("GET", "/metrics?x=1"), 200),
        (Request("GET", "/health"), 200),
        (Request("GET", "/v1/query"), 405),
        (Request("DELETE", "/metrics"), 405),
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
    assert json.loads(reply.body) == {
        "healthy": False,
        "reasons": ["no message for 40 s"],
        "silent_stalls": [3],
    }
