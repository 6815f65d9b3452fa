"""The client turns every answer of a service into a value or one of our errors."""

from __future__ import annotations

from typing import Any

import pytest

from dashboards.client import post
from dashboards.http_server import serving
from dashboards.live.hub import Hub
from detect.errors import InputError, StoreError


class Service:
    """A service that knows one statement."""

    def metrics(self) -> bytes:
        """Give nothing."""
        return b""

    def complaints(self) -> list[str]:
        """Have none."""
        return []

    def __init__(self) -> None:
        self.hub = Hub(lambda: b"")

    def stall(self, number: int) -> dict[str, Any]:
        """Know none."""
        raise InputError("no such stall", where=f"{number}")

    def acknowledge(self, alert_id: str, name: str) -> bool:
        """Know no alert, whatever it is called."""
        return alert_id == name == ""

    async def refresh(self) -> None:
        """Have nothing to keep fresh."""

    def silent_stalls(self) -> list[int]:
        """Give those that are silent."""
        return []

    def query(self, sql: str, params: list[Any]) -> dict[str, Any]:
        """Answer, or fail in two ways."""
        if sql == "wrong":
            raise InputError("syntax error", where="query")
        if sql == "broken":
            raise StoreError("the store is closed")
        return {"columns": ["n"], "rows": [[len(params)]], "truncated": False}

    def note(self, entry: dict[str, Any]) -> None:
        """Forget it."""


def test_an_answer_comes_through() -> None:
    """What the service answers is what the caller gets."""
    with serving(Service(), host="127.0.0.1", port=0) as url:
        answer = post(url, "v1/query", {"sql": "right", "params": [1, 2]})
    assert answer == {"columns": ["n"], "rows": [[2]], "truncated": False}


@pytest.mark.parametrize(("sql", "error"), [("wrong", InputError), ("broken", StoreError)])
def test_refusals_keep_their_kind(sql: str, error: type[Exception]) -> None:
    """The user's mistake stays an input error, a sick store a store error."""
    with serving(Service(), host="127.0.0.1", port=0) as url, pytest.raises(error):
        post(url, "v1/query", {"sql": sql, "params": []})


def test_nobody_there_is_a_store_error() -> None:
    """After the service has ended its address answers no more, and the user is told so."""
    with serving(Service(), host="127.0.0.1", port=0) as url:
        pass
    with pytest.raises(StoreError, match="no quietclaw service answers"):
        post(url, "v1/query", {})


def test_only_web_addresses_are_opened() -> None:
    """A file address is refused, not read."""
    with pytest.raises(InputError, match="http://"):
        post("file:///etc/hostname", "v1/query", {})
