"""The HTTP side of the running service: routes as a pure function, and the small server around it."""

from __future__ import annotations

import html
import ipaddress
import json
import shutil
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from http import HTTPStatus
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any, Final, Protocol

from dashboards.access import THIS_MACHINE, Access, Caller, Refusal, required_role
from dashboards.cautions import CAUTIONS
from detect.errors import InputError, StoreError

MAX_BODY_BYTES: Final = 65_536
"""Largest request body; a statement is far smaller (engineering choice)."""
SOCKET_TIMEOUT_S: Final = 10.0
"""A caller that sends nothing for so long is dropped [s] (engineering choice)."""
JSON: Final = "application/json"
_ADDRESSES: Final = "there is /, /metrics, /health, POST /v1/query, POST /v1/note and POST /v1/backup"
METRICS: Final = "text/plain; version=0.0.4; charset=utf-8"


class Service(Protocol):
    """What the HTTP side needs from the running service."""

    def metrics(self) -> bytes:
        """Return the Prometheus exposition."""

    def complaints(self) -> list[str]:
        """Return what is wrong now, one sentence each; empty when healthy."""

    def facts(self) -> dict[str, str]:
        """Return what runs here, for the status page."""

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
        case "GET", "/":
            return Answer(HTTPStatus.OK, "text/html; charset=utf-8", _page(service).encode())
        case "GET", "/metrics":
            return Answer(HTTPStatus.OK, METRICS, service.metrics())
        case "GET", "/health":
            return _health(service)
        case "POST", "/v1/query" | "/v1/note" | "/v1/backup" as path:
            return _post(service, request, path)
        case _, "/" | "/metrics" | "/health" | "/v1/query" | "/v1/note" | "/v1/backup":
            return _refuse(HTTPStatus.METHOD_NOT_ALLOWED, f"{request.method} is not possible here")
    return _refuse(
        HTTPStatus.NOT_FOUND, "there is /, /metrics, /health; POST /v1/query, /v1/note, /v1/backup"
    )


def _health(service: Service) -> Answer:
    reasons = service.complaints()
    status = HTTPStatus.SERVICE_UNAVAILABLE if reasons else HTTPStatus.OK
    return _json(status, {"healthy": not reasons, "reasons": reasons})


def _post(service: Service, request: Request, path: str) -> Answer:
    if request.content_type.partition(";")[0].strip().lower() != JSON:
        # A web page of a stranger can post a form from the farmer's browser, but not this type.
        return _refuse(HTTPStatus.UNSUPPORTED_MEDIA_TYPE, f"the content type must be {JSON}")
    work = _query if path == "/v1/query" else _note
    try:
        if path == "/v1/backup":
            return Answer(HTTPStatus.OK, "application/octet-stream", b"", file=service.backup())
        return _json(HTTPStatus.OK, work(service, _entry(request.body)))
    except InputError as error:
        return _refuse(HTTPStatus.BAD_REQUEST, str(error))
    except StoreError as error:
        return _refuse(HTTPStatus.SERVICE_UNAVAILABLE, str(error))


def _entry(body: bytes) -> dict[str, Any]:
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
    return _refuse(HTTPStatus.UNAUTHORIZED if unknown else HTTPStatus.FORBIDDEN, refusal.value)


def _refuse(status: HTTPStatus, error: str) -> Answer:
    return _json(status, {"error": error})


def _json(status: HTTPStatus, value: dict[str, Any]) -> Answer:
    return Answer(status, JSON, json.dumps(value, default=str).encode())


def _page(service: Service) -> str:
    reasons = service.complaints()
    state = "healthy" if not reasons else "not healthy: " + "; ".join(reasons)
    facts = {"State": state, **service.facts()}
    rows = "".join(f"<dt>{html.escape(k)}</dt><dd>{html.escape(v)}</dd>" for k, v in facts.items())
    cautions = "".join(f"<li>{html.escape(line)}</li>" for line in CAUTIONS)
    return (
        '<!doctype html><html lang="en"><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width"><title>quietclaw</title>'
        "<style>body{font:1rem/1.5 sans-serif;max-width:44rem;margin:2rem auto;padding:0 1rem}"
        "dt{font-weight:bold}</style>"
        f"<h1>quietclaw</h1><dl>{rows}</dl>"
        '<p><a href="/metrics">metrics</a> <a href="/health">health</a></p>'
        f"<h2>Cautions</h2><ul>{cautions}</ul></html>"
    )


@contextmanager
def serving(service: Service, *, host: str, port: int, access: Access = THIS_MACHINE) -> Iterator[str]:
    """Serve over HTTP in background threads and yield the address.

    Parameters
    ----------
    service:
        What answers.
    host, port:
        Where to listen; port 0 takes a free one.
    access:
        Who may do what.

    Raises
    ------
    InputError
        The port is taken, or the host is not one of this machine.
    """
    try:
        server = _Server((host, port), service, access)
    except OSError as error:
        raise InputError(
            f"cannot listen on {host}:{port}: {error.strerror or error}", where="http.port"
        ) from error
    thread = threading.Thread(target=server.serve_forever, name="http", daemon=True)
    thread.start()
    try:
        yield f"http://{host}:{server.server_address[1]}/"
    finally:
        server.shutdown()
        server.server_close()
        thread.join()


class _Server(ThreadingHTTPServer):
    daemon_threads = True
    allow_reuse_address = True

    def __init__(self, address: tuple[str, int], service: Service, access: Access) -> None:
        self.service = service
        self.access = access
        super().__init__(address, _Handler)


class _Handler(BaseHTTPRequestHandler):
    """Carry bytes between a socket and `answer`."""

    server: _Server
    timeout = SOCKET_TIMEOUT_S
    server_version = "quietclaw"
    sys_version = ""

    def do_GET(self) -> None:
        """Answer a GET."""
        self._answer(b"")

    def do_POST(self) -> None:
        """Answer a POST whose body is bounded."""
        length = self.headers.get("Content-Length", "")
        if not length.isdecimal() or int(length) > MAX_BODY_BYTES:
            self.close_connection = True
            self._send(
                _refuse(HTTPStatus.REQUEST_ENTITY_TOO_LARGE, f"the body may hold {MAX_BODY_BYTES} bytes")
            )
            return
        self._answer(self.rfile.read(int(length)))

    def log_message(self, format: str, *args: object) -> None:
        """Keep requests out of the log: a scrape every few seconds is not news."""

    def _answer(self, body: bytes) -> None:
        """Answer a caller who may ask, and tell another why not."""
        refusal = self.server.access.refusal(self._caller(), required_role(self.command, self.path))
        if refusal is not None:
            self._send(refused(refusal))
            return
        content_type = self.headers.get("Content-Type", "")
        request = Request(method=self.command, path=self.path, content_type=content_type, body=body)
        self._send(answer(self.server.service, request))

    def _caller(self) -> Caller:
        return Caller(
            local=ipaddress.ip_address(self.client_address[0]).is_loopback,
            authorization=self.headers.get("Authorization", ""),
            host=self.headers.get("Host", ""),
        )

    def _send(self, reply: Answer) -> None:
        length = len(reply.body) if reply.file is None else reply.file.stat().st_size
        self.send_response(reply.status)
        self.send_header("Content-Type", reply.content_type)
        self.send_header("Content-Length", str(length))
        if reply.status == HTTPStatus.UNAUTHORIZED:
            self.send_header("WWW-Authenticate", 'Basic realm="quietclaw"')
        self.send_header("X-Content-Type-Options", "nosniff")
        self.send_header("Cache-Control", "no-store")
        self.end_headers()
        self.wfile.write(reply.body)
        if reply.file is not None:
            self._send_file(reply.file)

    def _send_file(self, path: Path) -> None:
        """Send a file and remove it, whatever becomes of the caller."""
        try:
            with path.open("rb") as file:
                shutil.copyfileobj(file, self.wfile)
        finally:
            path.unlink()
