"""What the running service answers to plain requests, as a pure function; `asgi` carries the bytes."""

from __future__ import annotations

import json
from dataclasses import dataclass
from http import HTTPStatus
from pathlib import Path
from typing import Any, Final, Protocol

from dashboards.access import Refusal
from detect.errors import InputError, StoreError

JSON: Final = "application/json"
_ADDRESSES: Final = "there is /, /metrics, /health, POST /v1/query, POST /v1/note and POST /v1/backup"
METRICS: Final = "text/plain; version=0.0.4; charset=utf-8"


class Service(Protocol):
    """What the HTTP side needs from the running service."""

    def metrics(self) -> bytes:
        """Return the Prometheus exposition."""

    def complaints(self) -> list[str]:
        """Return what is wrong now, one sentence each; empty when healthy."""

    def silent_stalls(self) -> list[int]:
        """Return the stalls whose vacuum has not been heard for a while."""

    def query(self, sql: str, params: list[Any]) -> dict[str, Any]:
        """Answer one read-only statement."""

    def note(self, entry: dict[str, Any]) -> None:
        """Store a maintenance entry."""

    def backup(self) -> Path:
        """Make a whole copy of the history, a file to be removed after use."""


@dataclass(frozen=True, slots=True)
class Request:
    """What was asked, by a caller who may ask it."""

    method: str
    path: str
    content_type: str = ""
    body: bytes = b""


@dataclass(frozen=True, slots=True)
class Answer:
    """What is answered: the body, or a file to be sent instead and then removed."""

    status: HTTPStatus
    content_type: str
    body: bytes
    file: Path | None = None


def answer(service: Service, request: Request) -> Answer:
    """Answer one request; whatever it holds, never raise for the caller's mistakes."""
    match request.method, request.path.partition("?")[0]:
        case "GET", "/metrics":
            return Answer(HTTPStatus.OK, METRICS, service.metrics())
        case "GET", "/health":
            return _health(service)
        case "POST", "/v1/query" | "/v1/note" | "/v1/backup" as path:
            return _post(service, request, path)
        case _, "/metrics" | "/health" | "/v1/query" | "/v1/note" | "/v1/backup":
            return refuse(HTTPStatus.METHOD_NOT_ALLOWED, f"{request.method} is not possible here")
    return refuse(HTTPStatus.NOT_FOUND, _ADDRESSES)


def _health(service: Service) -> Answer:
    reasons = service.complaints()
    status = HTTPStatus.SERVICE_UNAVAILABLE if reasons else HTTPStatus.OK
    return as_json(
        status, {"healthy": not reasons, "reasons": reasons, "silent_stalls": service.silent_stalls()}
    )


def _post(service: Service, request: Request, path: str) -> Answer:
    if request.content_type.partition(";")[0].strip().lower() != JSON:
        # A web page of a stranger can post a form from the farmer's browser, but not this type.
        return refuse(HTTPStatus.UNSUPPORTED_MEDIA_TYPE, f"the content type must be {JSON}")
    work = _query if path == "/v1/query" else _note
    try:
        if path == "/v1/backup":
            return Answer(HTTPStatus.OK, "application/octet-stream", b"", file=service.backup())
        return as_json(HTTPStatus.OK, work(service, json_object(request.body)))
    except InputError as error:
        return refuse(HTTPStatus.BAD_REQUEST, str(error))
    except StoreError as error:
        return refuse(HTTPStatus.SERVICE_UNAVAILABLE, str(error))


def json_object(body: bytes) -> dict[str, Any]:
    """Read a request's body.

    Raises
    ------
    InputError
        It is no JSON object.
    """
    try:
        entry = json.loads(body)
    except ValueError as error:
        raise InputError("the body is not JSON") from error
    if not isinstance(entry, dict):
        raise InputError("the body must be a JSON object")
    return entry


def _query(service: Service, entry: dict[str, Any]) -> dict[str, Any]:
    sql, params = entry.get("sql"), entry.get("params", [])
    if not isinstance(sql, str) or not isinstance(params, list):
        raise InputError('the body must be {"sql": text, "params": [values]}')
    return service.query(sql, params)


def _note(service: Service, entry: dict[str, Any]) -> dict[str, Any]:
    service.note(entry)
    return {"stored": True}


def refused(refusal: Refusal) -> Answer:
    """Return the answer to a caller who may not ask."""
    unknown = refusal is Refusal.UNKNOWN
    return refuse(HTTPStatus.UNAUTHORIZED if unknown else HTTPStatus.FORBIDDEN, refusal.value)


def refuse(status: HTTPStatus, error: str) -> Answer:
    """Return a refusal with its reason."""
    return as_json(status, {"error": error})


def as_json(status: HTTPStatus, value: dict[str, Any]) -> Answer:
    """Return a JSON answer."""
    return Answer(status, JSON, json.dumps(value, default=str).encode())
