"""The HTTP server: the live page and its stream, and the plain answers of `web`, in one small app.

The stream must end before the server can: an open stream holds a graceful shutdown for ever.
"""

from __future__ import annotations

import asyncio
import contextlib
import gzip
import ipaddress
import socket
import threading
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager, contextmanager
from http import HTTPStatus
from importlib.resources import files
from typing import Any, Final, Protocol

import uvicorn
from starlette.applications import Starlette
from starlette.background import BackgroundTask
from starlette.concurrency import run_in_threadpool
from starlette.middleware import Middleware
from starlette.requests import Request as HttpRequest
from starlette.responses import FileResponse, Response, StreamingResponse
from starlette.routing import Route
from starlette.types import ASGIApp, Receive, Scope, Send

from dashboards.access import Access, Caller, required_role
from dashboards.live.hub import CLIENTS, Hub
from dashboards.web import JSON, Answer, Request, Service, answer, as_json, json_object, refuse, refused
from detect.errors import InputError, StoreError

MAX_BODY_BYTES: Final = 65_536
"""Largest request body; a statement is far smaller (engineering choice)."""
BODY_TIMEOUT_S: Final = 10.0
"""A caller whose body takes longer is sent away [s] (engineering choice)."""
STOP_S: Final = 2
"""What is still open so long after the stop is cut off [s] (engineering choice)."""
ASSETS: Final = {
    "index.html": "text/html; charset=utf-8",
    "style.css": "text/css; charset=utf-8",
    "main.js": "text/javascript; charset=utf-8",
    "lanes.js": "text/javascript; charset=utf-8",
    "stall.js": "text/javascript; charset=utf-8",
    "words.js": "text/javascript; charset=utf-8",
    "texts.en.json": JSON,
    "icon.svg": "image/svg+xml",
}
POLICY: Final = (
    "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; img-src 'self'; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
GUARDS: Final = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cache-Control": "no-store",
}


Gate = Callable[[HttpRequest], Answer | None]
"""Tells why a request is not answered at all, None when it may be; asked before anything else."""


class Page(Service, Protocol):
    """What the server needs from the running service: plain answers and the live page's."""

    @property
    def hub(self) -> Hub:
        """Return where the streams come from."""

    def stall(self, number: int) -> dict[str, Any]:
        """Return one stall's last events, condition and history."""

    def acknowledge(self, alert_id: str, name: str) -> bool:
        """Note who looks after an alert; tell whether it still stands."""

    async def refresh(self) -> None:
        """Keep slow figures fresh as long as the server runs."""


def open_gate(_request: HttpRequest) -> Answer | None:
    """Let everybody in."""
    return None


def gate_of(access: Access) -> Gate:
    """Return the gate that keeps a rule of access."""

    def gate(request: HttpRequest) -> Answer | None:
        caller = Caller(
            local=_is_local(request),
            authorization=request.headers.get("authorization", ""),
            host=request.headers.get("host", ""),
        )
        refusal = access.refusal(caller, required_role(request.method, request.url.path))
        return None if refusal is None else refused(refusal)

    return gate


class _Gated:
    """Ask the gate before any route, the stream included."""

    def __init__(self, app: ASGIApp, gate: Gate) -> None:
        self._app = app
        self._gate = gate

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        refusal = self._gate(HttpRequest(scope)) if scope["type"] == "http" else None
        await (self._app if refusal is None else _response(refusal))(scope, receive, send)


def make_app(page: Page, *, gate: Gate = open_gate) -> Starlette:
    """Return the app that shows one service to whom the gate lets in."""
    assets = {name: _Asset(name, kind) for name, kind in ASSETS.items()}

    async def asset(request: HttpRequest) -> Response:
        name = request.path_params.get("name", "index.html")
        if name not in assets:
            return _response(refuse(HTTPStatus.NOT_FOUND, f"no {name} here"))
        return assets[name].response(request)

    async def live(request: HttpRequest) -> Response:
        if page.hub.clients >= CLIENTS:
            return _response(refuse(HTTPStatus.SERVICE_UNAVAILABLE, "too many pages are open"))
        stall = request.query_params.get("stall", "")
        stream = page.hub.stream(int(stall) if stall.isdecimal() and len(stall) < 5 else None)
        return StreamingResponse(
            stream, media_type="text/event-stream", headers=GUARDS | {"X-Accel-Buffering": "no"}
        )

    async def stall(request: HttpRequest) -> Response:
        return _response(await run_in_threadpool(_stall, page, request.path_params["number"]))

    async def acknowledge(request: HttpRequest) -> Response:
        if not _same_origin(request):
            return _response(refuse(HTTPStatus.FORBIDDEN, "only the page itself may take an alert"))
        body = await _body(request)
        taken = _take(page, request.path_params["alert"], body)
        return _response(taken)

    async def plain(request: HttpRequest) -> Response:
        body = await _body(request)
        if body is None:
            return _response(_too_large())
        asked = Request(
            method=request.method,
            path=request.url.path,
            content_type=request.headers.get("content-type", ""),
            body=body,
        )
        return _response(await run_in_threadpool(answer, page, asked))

    @asynccontextmanager
    async def lifespan(_app: Starlette) -> AsyncIterator[None]:
        page.hub.attach()
        fresh = asyncio.create_task(page.refresh())
        yield
        fresh.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await fresh

    routes = [
        Route("/", asset),
        Route("/page/{name}", asset),
        Route("/v1/live", live),
        Route("/v1/stall/{number:int}", stall),
        Route("/v1/alert/{alert}/acknowledge", acknowledge, methods=["POST"]),
        Route("/{path:path}", plain, methods=["GET", "POST", "PUT", "DELETE", "PATCH"]),
    ]
    return Starlette(routes=routes, lifespan=lifespan, middleware=[Middleware(_Gated, gate=gate)])


class _Asset:
    """One file of the page, packed once."""

    def __init__(self, name: str, kind: str) -> None:
        self._plain = (files("dashboards") / "page" / name).read_bytes()
        self._packed = gzip.compress(self._plain, mtime=0)
        self._kind = kind

    def response(self, request: HttpRequest) -> Response:
        """Return the file, packed for whoever can unpack it."""
        packed = "gzip" in request.headers.get("accept-encoding", "")
        more = {"Content-Encoding": "gzip", "Vary": "Accept-Encoding"} if packed else {}
        body = self._packed if packed else self._plain
        return Response(body, media_type=self._kind, headers=GUARDS | more)


def _stall(page: Page, number: int) -> Answer:
    try:
        return as_json(HTTPStatus.OK, page.stall(number))
    except InputError as error:
        return refuse(HTTPStatus.NOT_FOUND, str(error))
    except StoreError as error:
        return refuse(HTTPStatus.SERVICE_UNAVAILABLE, str(error))


def _take(page: Page, alert_id: str, body: bytes | None) -> Answer:
    if body is None:
        return _too_large()
    try:
        name = json_object(body).get("name")
    except InputError as error:
        return refuse(HTTPStatus.BAD_REQUEST, str(error))
    if not isinstance(name, str) or not name.strip():
        return refuse(HTTPStatus.BAD_REQUEST, 'the body must be {"name": text}')
    if not page.acknowledge(alert_id, name):
        return refuse(HTTPStatus.GONE, "that alert has cleared already")
    return as_json(HTTPStatus.OK, {"taken": True})


def _same_origin(request: HttpRequest) -> bool:
    """Tell a request of our own page (or of a program) from one that another site makes a browser send."""
    headers = request.headers
    if headers.get("content-type", "").partition(";")[0].strip().lower() != JSON:
        return False
    if headers.get("sec-fetch-site", "same-origin") not in ("same-origin", "none"):
        return False
    origin = headers.get("origin")
    return origin is None or origin.partition("://")[2] == headers.get("host")


async def _body(request: HttpRequest) -> bytes | None:
    """Read a bounded body; None when it is too long or takes too long."""
    length = request.headers.get("content-length", "0")
    if not length.isdecimal() or int(length) > MAX_BODY_BYTES:
        return None
    body = b""
    with contextlib.suppress(TimeoutError):
        async with asyncio.timeout(BODY_TIMEOUT_S):
            async for chunk in request.stream():
                body += chunk
                if len(body) > MAX_BODY_BYTES:
                    return None
            return body
    return None


def _is_local(request: HttpRequest) -> bool:
    return request.client is not None and ipaddress.ip_address(request.client.host).is_loopback


def _too_large() -> Answer:
    return refuse(HTTPStatus.REQUEST_ENTITY_TOO_LARGE, f"the body may hold {MAX_BODY_BYTES} bytes")


def _response(reply: Answer) -> Response:
    headers = GUARDS | {"Content-Type": reply.content_type}
    if reply.status == HTTPStatus.UNAUTHORIZED:
        headers["WWW-Authenticate"] = 'Basic realm="quietclaw"'
    if reply.file is not None:  # sent and then removed, whatever becomes of the caller
        removed = BackgroundTask(reply.file.unlink, missing_ok=True)
        return FileResponse(reply.file, reply.status, headers, background=removed)
    return Response(reply.body, reply.status, headers)


@contextmanager
def serving(page: Page, *, host: str, port: int, gate: Gate = open_gate) -> Iterator[str]:
    """Serve over HTTP in a background thread and yield the address.

    Parameters
    ----------
    page:
        What answers.
    host, port:
        Where to listen; port 0 takes a free one.
    gate:
        Who is answered.

    Raises
    ------
    InputError
        The port is taken, or the host is not one of this machine.
    """
    listening = _listen(host, port)
    config = uvicorn.Config(
        make_app(page, gate=gate),
        log_config=None,
        access_log=False,
        server_header=False,
        ws="none",
        timeout_graceful_shutdown=STOP_S,
    )
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run, args=([listening],), name="http", daemon=True)
    thread.start()
    try:
        yield f"http://{host}:{listening.getsockname()[1]}/"
    finally:
        page.hub.close()
        server.should_exit = True
        thread.join()
        listening.close()


def _listen(host: str, port: int) -> socket.socket:
    try:
        return socket.create_server((host, port), backlog=128)
    except OSError as error:
        reason = error.strerror or error
        raise InputError(f"cannot listen on {host}:{port}: {reason}", where="http.port") from error
