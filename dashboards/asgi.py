"""The live page, its stream and the plain answers of `web` in one small app; `http_server` runs it."""

from __future__ import annotations

import asyncio
import contextlib
import ipaddress
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from http import HTTPStatus
from typing import Any, Final, Protocol

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
from dashboards.page_files import ASSETS, GUARDS, PageFile
from dashboards.web import JSON, Answer, Request, Service, answer, as_json, json_object, refuse, refused
from detect.errors import InputError, StoreError

MAX_BODY_BYTES: Final = 65_536
"""Largest request body; a statement is far smaller (engineering choice)."""
BODY_TIMEOUT_S: Final = 10.0
"""A caller whose body takes longer is sent away [s] (engineering choice)."""


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
    handlers = _Handlers(page)
    routes = [
        Route("/", handlers.file),
        Route("/page/{name}", handlers.file),
        Route("/v1/live", handlers.live),
        Route("/v1/stall/{number:int}", handlers.stall),
        Route("/v1/alert/{alert}/acknowledge", handlers.acknowledge, methods=["POST"]),
        Route("/{path:path}", handlers.plain, methods=["GET", "POST", "PUT", "DELETE", "PATCH"]),
    ]
    return Starlette(routes=routes, lifespan=handlers.lifespan, middleware=[Middleware(_Gated, gate=gate)])


class _Handlers:
    """What each route answers."""

    def __init__(self, page: Page) -> None:
        self._page = page
        self._files = {name: PageFile(name, kind) for name, kind in ASSETS.items()}

    async def file(self, request: HttpRequest) -> Response:
        name = request.path_params.get("name", "index.html")
        if name not in self._files:
            return _response(refuse(HTTPStatus.NOT_FOUND, f"no {name} here"))
        return self._files[name].response(request)

    async def live(self, request: HttpRequest) -> Response:
        if self._page.hub.clients >= CLIENTS:
            return _response(refuse(HTTPStatus.SERVICE_UNAVAILABLE, "too many pages are open"))
        stall = request.query_params.get("stall", "")
        stream = self._page.hub.stream(int(stall) if stall.isdecimal() and len(stall) < 5 else None)
        return StreamingResponse(
            stream, media_type="text/event-stream", headers=GUARDS | {"X-Accel-Buffering": "no"}
        )

    async def stall(self, request: HttpRequest) -> Response:
        return _response(await run_in_threadpool(_stall, self._page, request.path_params["number"]))

    async def acknowledge(self, request: HttpRequest) -> Response:
        if not _same_origin(request):
            return _response(refuse(HTTPStatus.FORBIDDEN, "only the page itself may take an alert"))
        return _response(_take(self._page, request.path_params["alert"], await _body(request)))

    async def plain(self, request: HttpRequest) -> Response:
        body = await _body(request)
        if body is None:
            return _response(_too_large())
        asked = Request(
            method=request.method,
            path=request.url.path,
            content_type=request.headers.get("content-type", ""),
            body=body,
        )
        return _response(await run_in_threadpool(answer, self._page, asked))

    @asynccontextmanager
    async def lifespan(self, _app: Starlette) -> AsyncIterator[None]:
        self._page.hub.attach()
        fresh = asyncio.create_task(self._page.refresh())
        yield
        fresh.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await fresh


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
