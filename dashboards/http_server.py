"""The HTTP server in a thread of its own, from the listening socket to its end.

The stream must end before the server can: an open stream holds a graceful shutdown for ever.
"""

from __future__ import annotations

import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Final

import uvicorn

from dashboards.asgi import Gate, Page, make_app, open_gate
from detect.errors import InputError

STOP_S: Final = 2
"""What is still open so long after the stop is cut off [s] (engineering choice)."""


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
