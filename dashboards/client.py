"""The way to a running service: JSON posted over HTTP, its refusals turned into our errors.

Where the service asks for a token, it is taken from the environment variable ``QUIETCLAW_TOKEN``.
"""

from __future__ import annotations

import json
import os
import shutil
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from http import HTTPStatus
from http.client import HTTPResponse
from pathlib import Path
from typing import Any, Final

from dashboards.web import JSON
from detect.errors import InputError, StoreError

TOKEN_VARIABLE: Final = "QUIETCLAW_TOKEN"  # noqa: S105 - the name of the variable, no secret
TIMEOUT_S: Final = 30.0
"""How long the service may take [s]: thrice its own limit for a query (engineering choice)."""


def post(url: str, path: str, body: dict[str, Any]) -> dict[str, Any]:
    """Post a JSON object to the service and return its JSON answer.

    Parameters
    ----------
    url:
        Address of the service, as it prints it at its start.
    path:
        Such as ``v1/query``.
    body:
        What is asked.

    Raises
    ------
    InputError
        The address is none, or the service refuses the request.
    StoreError
        Nobody answers, or the service cannot use its store.
    """
    with _asked(url, path, body) as reply:
        return dict(json.load(reply))


def fetch(url: str, path: str, target: Path) -> None:
    """Post an empty JSON object and keep the answer as a file, which appears only when it is complete.

    Raises
    ------
    InputError
        The address is none, the service refuses, or the file cannot be written.
    StoreError
        Nobody answers, or the service cannot use its store.
    """
    unfinished = target.with_name(f".{target.name}.unfinished")
    try:
        with _asked(url, path, {}) as reply, unfinished.open("xb") as file:
            shutil.copyfileobj(reply, file)
            if file.tell() != int(reply.headers["Content-Length"]):
                raise StoreError("the answer broke off", where=url)
        unfinished.replace(target)
    finally:
        unfinished.unlink(missing_ok=True)


@contextmanager
def _asked(url: str, path: str, body: dict[str, Any]) -> Iterator[HTTPResponse]:
    """Post a JSON object and give the answer to be read."""
    if not url.startswith(("http://", "https://")):
        raise InputError("must start with http:// or https://", where="--url")
    headers = {"Content-Type": JSON}
    if token := os.environ.get(TOKEN_VARIABLE):
        headers["Authorization"] = f"Bearer {token}"
    request = urllib.request.Request(  # noqa: S310 - the scheme is checked above
        f"{url.rstrip('/')}/{path}", data=json.dumps(body).encode(), headers=headers
    )
    try:
        with urllib.request.urlopen(request, timeout=TIMEOUT_S) as reply:  # noqa: S310
            yield reply
    except urllib.error.HTTPError as error:
        with error:
            raise _refusal(url, error) from error
    except (OSError, ValueError) as error:
        reason = getattr(error, "reason", error)
        raise StoreError(f"no quietclaw service answers ({reason})", where=url) from error


def _refusal(url: str, error: urllib.error.HTTPError) -> InputError | StoreError:
    try:
        reason = str(json.load(error)["error"])
    except (ValueError, KeyError, TypeError):
        reason = f"answered {error.code} {error.reason}"
    if error.code == HTTPStatus.UNAUTHORIZED:
        reason = f"asks for a token; give it in {TOKEN_VARIABLE}"
    if error.code == HTTPStatus.SERVICE_UNAVAILABLE:
        return StoreError(reason, where=url)
    return InputError(reason, where="" if error.code == HTTPStatus.BAD_REQUEST else url)
