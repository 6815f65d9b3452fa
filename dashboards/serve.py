"""The whole service wired together: broker to history, and what it shows over HTTP."""

from __future__ import annotations

import threading
from collections.abc import Callable

from prometheus_client import CollectorRegistry

from dashboards.asgi import serving
from dashboards.metrics import ServiceMetrics
from dashboards.service import ServiceView, make_detector
from ingest.config import Config
from ingest.live import Ending, LiveService, Parts
from ingest.pipeline import Committed


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
    detector = make_detector(config)
    metrics = ServiceMetrics(CollectorRegistry(), stalls=config.parlor.stalls, detector=detector.label)
    view = ServiceView(config, metrics, note=note)
    parts = Parts(
        open_history=view.open_history,
        new_detector=view.new_detector,
        observers=(view.observe, observe),
        announcements=view.announcements,
    )
    with serving(view, host=config.http.host, port=config.http.port) as url:
        started(url, view)
        LiveService(config, parts).run(stop, ending=ending)
