"""What the browser gets from us: the page's files, each packed once, and the headers that fence it."""

from __future__ import annotations

import gzip
from importlib.resources import files
from typing import Final

from starlette.requests import Request
from starlette.responses import Response

from dashboards.web import JSON

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


class PageFile:
    """One file of the page, packed once."""

    def __init__(self, name: str, kind: str) -> None:
        self._plain = (files("dashboards") / "page" / name).read_bytes()
        self._packed = gzip.compress(self._plain, mtime=0)
        self._kind = kind

    def response(self, request: Request) -> Response:
        """Return the file, packed for whoever can unpack it."""
        packed = "gzip" in request.headers.get("accept-encoding", "")
        more = {"Content-Encoding": "gzip", "Vary": "Accept-Encoding"} if packed else {}
        body = self._packed if packed else self._plain
        return Response(body, media_type=self._kind, headers=GUARDS | more)
