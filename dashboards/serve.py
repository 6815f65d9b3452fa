"""The whole service wired together: broker to history, and what it shows over HTTP."""

from __future__ import annotations

import json
import logging
import threading
from collections.abc import Callable
from contextlib import closing
from typing import Final

from prometheus_client import CollectorRegistry

from dashboards.access import read_access
from dashboards.asgi import gate_of
from dashboards.http_server import serving
from dashboards.lean import COMPILER, ENGINE, give_back, trim
from dashboards.metrics import ServiceMetrics
from dashboards.service import ServiceView
from dashboards.start_report import start_report
from dashboards.supervisor import Supervisor
from dashboards.warm import make_ready
from detect.errors import StoreError
from ingest.config import Config
from ingest.detector import make_detector
from ingest.live import Ending, LiveService, Parts
from ingest.pipeline import Committed

SETTLED_MESSAGES: Final = 2000
"""Once so many are stored, what opening and loading took is needed no more (engineering choice)."""
LEAN_MESSAGES: Final = 20_000
"""After so many it is looked at again: rare functions are loaded late. It takes 2 ms (measured)."""
_LOG: Final = logging.getLogger(__name__)


def serve(
    config: Config,
    stop: threading.Event,
    *,
    ending: Ending = Ending.KEEP_OPEN,
    note: str = "",
    started: Callable[[str, ServiceView], None] = lambda _url, _view: None,
    observe: Callable[[Committed], None] = lambda _committed: None,
) -> None:
    """Serve one parlor until told to stop.

    Parameters
    ----------
    config:
        All settings.
    stop:
        Set by whoever wants the service to end; what has arrived by then is still stored.
    ending:
        What becomes of the milkings that are still going on.
    note:
        Key of a text that the page shows above all, such as ``simulated``.
    started:
        Told the address of the HTTP side and what it shows, before the first message.
    observe:
        Told of each durable batch, after the metrics.

    Raises
    ------
    InputError, StoreError, BrokerError
        When the service cannot begin, or cannot go on.
    """
    access = read_access(config.http.token_file)
    detector = make_detector(config)
    metrics = ServiceMetrics(CollectorRegistry(), stalls=config.parlor.stalls, detector=detector.label)
    view = ServiceView(config, metrics, note=note)
    supervisor = Supervisor()
    listening = f"listening to {config.parlor.name}"

    def on_trouble(error: StoreError | None) -> None:
        view.trouble(error)
        supervisor.status(str(error) if error else listening)

    parts = Parts(
        open_history=view.open_history,
        new_detector=view.new_detector,
        observers=(view.observe, observe, _Lean()),
        on_connected=lambda: supervisor.ready(listening),
        on_trouble=on_trouble,
        on_turn=supervisor.alive,
        announcements=view.announcements,
    )
    _LOG.info("start %s", json.dumps(start_report(config, access)))
    with (
        closing(view),
        serving(view, host=config.http.host, port=config.http.port, gate=gate_of(access)) as url,
    ):
        started(url, view)
        make_ready(stop, on_turn=supervisor.alive)
        LiveService(config, parts).run(stop, ending=ending)
        supervisor.stopping()


class _Lean:
    """Give back what only the loading of machine code needed: soon after the start, then now and then."""

    def __init__(self) -> None:
        self._awaited = SETTLED_MESSAGES

    def __call__(self, committed: Committed) -> None:
        self._awaited -= committed.messages
        if self._awaited <= 0:
            self._awaited = LEAN_MESSAGES
            give_back(COMPILER)
            give_back(ENGINE)
            trim()
