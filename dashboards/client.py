"""The way to a running service: JSON posted over HTTP, its refusals turned into our errors."""

from __future__ import annotations

import json
import urllib.error
import urllib.request
from http import HTTPStatus
from typing import Any, Final

from dashboards.web import JSON
from detect.errors import InputError, StoreError

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
    if not url.startswith(("http://", "https://")):
        raise InputError("must start with http:// or https://", where="--url")
    request = urllib.request.Request(  # noqa: S310 - the scheme is checked above
        f"{url.rstrip('/')}/{path}", data=json.dumps(body).encode(), headers={"Content-Type": JSON}
    )
    try:
        with urllib.request.urlopen(request, timeout=TIMEOUT_S) as reply:  # noqa: S310
            return dict(json.load(reply))
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
    if error.code == HTTPStatus.SERVICE_UNAVAILABLE:
        return StoreError(reason, where=url)
    return InputError(reason, where="" if error.code == HTTPStatus.BAD_REQUEST else url)
