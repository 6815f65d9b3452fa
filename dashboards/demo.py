"""The demonstration: an embedded broker, a simulated parlor in a process of its own, and the service."""

from __future__ import annotations

import queue
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

from dashboards.matching import NS_PER_S
from dashboards.serve import serve
from dashboards.service import ServiceView
from dashboards.stopping import Stop
from dashboards.warm import make_ready
from detect.errors import BrokerError
from ingest.broker import IN_FLIGHT, EmbeddedBroker
from ingest.client import BrokerClient, Connected, Incoming
from ingest.config import Config
from ingest.live import Ending
from ingest.pipeline import Committed

PARLOR: Final = "willowmere"
CONNECT_TIMEOUT_S: Final = 15.0
CATCH_UP_S: Final = 60.0
"""How long the service may store nothing while messages are outstanding [s] (engineering choice)."""
LAST_S: Final = 5.0
"""Every device sends once a second, so a record is nearly read when its last seconds come [s]."""
IDLE_S: Final = 2.0
"""A service that stores nothing for so long at the record's end has read it all [s] (engineering choice)."""


@dataclass(frozen=True, slots=True)
class Plan:
    """What to demonstrate: ``minutes`` of the clock, in which ``minutes * speed`` are simulated."""

    minutes: float
    stalls: int
    seed: int
    speed: float
    port: int
    out: Path

    @property
    def seconds(self) -> float:
        """Return the simulated time [s]."""
        return self.minutes * 60.0 * self.speed

    @property
    def db(self) -> Path:
        """Return the history file."""
        return self.out / "demo.duckdb"

    @property
    def capture(self) -> Path:
        """Return the capture of all messages."""
        return self.out / "capture.parquet"

    def config(self, broker_url: str) -> Config:
        """Return the settings of the service."""
        sections: dict[str, dict[str, Any]] = {
            "broker": {"url": broker_url, "receive_maximum": IN_FLIGHT},
            "parlor": {"name": PARLOR, "stalls": self.stalls},
            "store": {"path": self.db},
            "capture": {"path": self.capture},
            "http": {"port": self.port},
        }
        return Config.model_validate(sections)


class _Run:
    """One demonstration while it goes on: the simulator's process and what is known of its end."""

    def __init__(self, plan: Plan, stop: Stop, *, endless: bool, say: Callable[[str], None]) -> None:
        self.complete = False
        self.failure: str | None = None
        self.news = threading.Event()
        self.done_s = 0.0
        self._plan = plan
        self._stop = stop
        self._endless = endless
        self._say = say
        self._view: ServiceView | None = None

    def started(self, url: str, view: ServiceView) -> None:
        """Take note of the running service."""
        self._view = view
        self._say(f"live page, metrics and health: {url}")

    @contextmanager
    def simulator(self, broker_url: str, start_ns: int) -> Iterator[None]:
        """Let a parlor be simulated in a process of its own, which ends with the block."""
        log_path = self._plan.out / "simulator.log"
        with (
            log_path.open("w") as log,
            subprocess.Popen(  # noqa: S603 - our own program with our own words
                self._command(broker_url, start_ns), stdout=subprocess.PIPE, stderr=log, text=True
            ) as process,
        ):
            watcher = threading.Thread(target=self._watch, args=(process, log_path), name="simulator")
            watcher.start()
            try:
                yield
            finally:
                process.terminate()
                self.news.set()
                watcher.join()

    def _command(self, broker_url: str, start_ns: int) -> list[str]:
        start = datetime.fromtimestamp(start_ns / NS_PER_S, UTC).isoformat()
        plan = self._plan
        options = {
            "--broker": broker_url,
            "--start": start,
            "--speed": plan.speed,
            "--hours": plan.seconds / 3600.0,
            "--stalls": plan.stalls,
            "--seed": plan.seed,
            "--out": plan.out,
        }
        words = [str(word) for option in options.items() for word in option]
        return [sys.executable, "-m", "dashboards.main", "simulate", *words]

    def _watch(self, process: subprocess.Popen[str], log_path: Path) -> None:
        """Wait for the simulator's end, then until everything it published is stored."""
        told, _ = process.communicate()
        if self._stop.event.is_set():
            return
        if process.returncode != 0:
            lines = log_path.read_text().splitlines() or ["no reason given"]
            self._fail(f"the simulator gave up: {lines[-1]}")
        elif self._caught_up(int(told.split()[0])):
            self.complete = True
            if self._endless:
                self._say("the record has ended; the page stays up until Ctrl-C")
            else:
                self._stop.event.set()

    def _is_behind(self, published: int) -> bool:
        """Tell whether messages are outstanding; their number alone does not tell, since some come twice."""
        is_at_end = self.done_s >= self._plan.seconds - LAST_S
        return self._view is None or self._view.messages < published or not is_at_end

    def _caught_up(self, published: int) -> bool:
        while self._is_behind(published):
            self.news.clear()
            if not self.news.wait(CATCH_UP_S):
                self._fail(f"the service has stored nothing for {CATCH_UP_S:g} s")
                return False
            if self._stop.event.is_set():
                return False
        while self.news.wait(IDLE_S) and not self._stop.event.is_set():
            self.news.clear()
        return True

    def _fail(self, reason: str) -> None:
        self.failure = reason
        self._stop.event.set()


def demonstrate(
    plan: Plan,
    stop: Stop,
    *,
    endless: bool,
    say: Callable[[str], None],
    report: Callable[[float], None],
) -> bool:
    """Run the demonstration until it ends, or until told to stop.

    Parameters
    ----------
    plan:
        What to demonstrate.
    stop:
        Set by a signal; set here at the end of the record unless endless.
    endless:
        Whether the page stays up after the record's end.
    say, report:
        Where lines and the simulated time done [s] go.

    Returns
    -------
    bool
        Whether the record was simulated to its end, so that there is a truth.

    Raises
    ------
    BrokerError
        The broker, the simulator or the service gave up.
    """
    say("getting the detector ready: up to a minute on a new machine, then a second")
    make_ready(stop.event)
    with EmbeddedBroker() as broker:
        config = plan.config(broker.url)
        reserve(config)
        start_ns = time.time_ns() - round(plan.seconds * (1.0 - 1.0 / plan.speed) * NS_PER_S)
        run = _Run(plan, stop, endless=endless, say=say)

        def observe(committed: Committed) -> None:
            run.news.set()
            if committed.moved:
                newest_ns = max(mark.t_ns for mark in committed.moved.values())
                run.done_s = max(run.done_s, (newest_ns - start_ns) / NS_PER_S)
                report(run.done_s)

        with run.simulator(broker.url, start_ns):
            serve(
                config,
                stop.event,
                ending=Ending.CLOSE,
                note="simulated",
                started=run.started,
                observe=observe,
            )
    if run.failure is not None:
        raise BrokerError(run.failure, where="demo")
    return run.complete


def reserve(config: Config) -> None:
    """Make the broker keep messages for the service from now on, before the first is published.

    Raises
    ------
    BrokerError
        The broker does not answer, or refuses.
    """
    incoming: queue.SimpleQueue[Incoming] = queue.SimpleQueue()
    with BrokerClient(config, incoming):
        try:
            answer = incoming.get(timeout=CONNECT_TIMEOUT_S)
        except queue.Empty as error:
            raise BrokerError("does not answer", where=config.broker.url) from error
    if not isinstance(answer, Connected):
        raise BrokerError("refuses the demonstration", where=config.broker.url)
