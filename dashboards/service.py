"""The running service as its HTTP side sees it: metrics, health, questions, notes and the live page."""

from __future__ import annotations

import asyncio
import contextlib
import secrets
import time
from collections.abc import Callable
from contextlib import AbstractContextManager
from datetime import datetime
from pathlib import Path
from typing import Any, Final

from dashboards.alerts.kinds import Alert, AlertRules, Finding, Standing
from dashboards.alerts.words import payload
from dashboards.heard import Heard
from dashboards.lean import ENGINE, give_back
from dashboards.live.day import day_figures
from dashboards.live.feed import LiveFeed
from dashboards.live.hub import Hub
from dashboards.live.stall import stall_record
from dashboards.matching import NS_PER_S
from dashboards.metrics import ServiceMetrics
from detect.errors import InputError, StoreError
from detect.parlor import ParlorDetector
from detect.trail import Trail
from ingest.announce import Announcements
from ingest.config import Config
from ingest.detector import make_detector
from ingest.pipeline import Committed
from store.copying import copy_history
from store.engine import SERVICE_SETTINGS
from store.read_door import ReadDoor
from store.shared_history import SharedHistory
from store.space import LEAST_FREE_BYTES, free_space

FIGURES_S: Final = 10.0
"""How often the day's figures are counted anew [s] (engineering choice)."""


class ServiceView:
    """What the outside may see of one service, safe to call from any thread.

    Parameters
    ----------
    config:
        All settings.
    metrics:
        The meters it fills.
    clock_ns:
        Wall clock [ns since 1970-01-01 UTC], for the silence only.
    rules:
        When something becomes an alert; as configured unless given.
    note:
        Key of a text that the page shows above all, such as ``simulated``.
    """

    def __init__(
        self,
        config: Config,
        metrics: ServiceMetrics,
        *,
        clock_ns: Callable[[], int] = time.time_ns,
        rules: AlertRules | None = None,
        note: str = "",
    ) -> None:
        self._config = config
        self._metrics = metrics
        self._clock_ns = clock_ns
        self._heard = Heard(clock_ns)
        self._door = ReadDoor(config.store.path, held=self._held)
        self._history: SharedHistory | None = None
        self._detector: ParlorDetector | None = None
        self._failure: str | None = None
        self._trouble: StoreError | None = None
        parlor = config.parlor
        self.announcements = Announcements(root=config.broker.root, parlor=parlor.name, stalls=parlor.stalls)
        alerts = config.alerts
        rules = rules or AlertRules(per_rotation=alerts.per_rotation, rotation_s=alerts.rotation_s)
        self.feed = LiveFeed(
            parlor.stalls, rules=rules, facts={"parlor": parlor.name, "note": note}, told=self._tell
        )
        self.messages = 0
        """Messages made durable since the start."""

    def open_history(self) -> SharedHistory:
        """Open the history for the service and remember it for questions."""
        history = SharedHistory.open(self._config.store.path, settings=SERVICE_SETTINGS)
        history.told = self._metrics.add_commit
        give_back(ENGINE)  # before the first commits of a backlog take theirs
        self._history = history
        return history

    def new_detector(self) -> ParlorDetector:
        """Make a detector of the configured parlor and remember it for the page."""
        self._detector = make_detector(self._config)
        self._detector.trail = Trail(self._config.parlor.stalls)
        return self._detector

    def observe(self, committed: Committed) -> None:
        """Take in one durable batch; called by the thread that owns the detector."""
        self._metrics.observe(committed)
        stalls = self._detector.now() if self._detector is not None else []
        self._heard.note(committed, stalls)
        if self._detector is not None:
            self._metrics.show(stalls)
            self.feed.observe(committed, self._detector, stalls)
        self.messages += committed.messages

    def close(self) -> None:
        """Remove what questions were answered from."""
        self._door.close()

    def trouble(self, error: StoreError | None) -> None:
        """Be unhealthy while the store fails; None when it works again."""
        self._trouble = error

    def _tell(self, alerts: tuple[Alert, ...], findings: list[Finding]) -> None:
        """Pass on what is told: to the meters, and to lamps and horns."""
        self._metrics.alerts.show(alerts, findings)
        self._tell_lamps(alerts)

    def _tell_lamps(self, alerts: tuple[Alert, ...]) -> None:
        calling = {alert.stall: payload(alert) for alert in alerts if alert.standing is Standing.SHOWN}
        self.announcements.stand(calling)

    def fail(self, reason: str) -> None:
        """Turn unhealthy for good, with a reason."""
        self._failure = reason

    def metrics(self) -> bytes:
        """Return the Prometheus exposition."""
        return self._metrics.render()

    def complaints(self) -> list[str]:
        """Return what is wrong now, one sentence each."""
        reasons = [self._failure] if self._failure else []
        if self._trouble is not None:
            reasons.append(str(self._trouble))
        if (free_bytes := free_space(self._config.store.path)) < LEAST_FREE_BYTES:
            reasons.append(f"only {free_bytes // 2**20} MB are free where the history is kept")
        return [*reasons, *self._heard.complaints()]

    def silent_stalls(self) -> list[int]:
        """Return the stalls whose vacuum has not been heard for a while."""
        return self._heard.silent_stalls()

    @property
    def hub(self) -> Hub:
        """Return where the streams of the live page come from."""
        return self.feed.hub

    def acknowledge(self, alert_id: str, name: str) -> bool:
        """Note who looks after an alert; tell whether it still stands."""
        stands = self.feed.book.acknowledge(alert_id, name)
        if stands:
            self.feed.tell_alerts()
            self._tell_lamps(self.feed.book.alerts)
        return stands

    def stall(self, number: int) -> dict[str, Any]:
        """Return one stall's last events with their waveforms, its condition and its history.

        Raises
        ------
        InputError
            There is no such stall.
        StoreError
            The history is not open.
        """
        parlor = self._config.parlor
        if not 1 <= number <= parlor.stalls:
            raise InputError(f"stall {number} is outside 1..{parlor.stalls}", where="stall")
        record = stall_record(self._open(), parlor.name, number, now_ns=self.feed.now_ns)
        waves = self.feed.waveforms.of(number)
        record["events"] = [event | {"wave": waves.get(event["id"])} for event in record["events"]]
        return record

    async def refresh(self) -> None:
        """Count the day's figures again and again, and withdraw alerts of a parlor that fell silent."""
        while True:
            self.feed.let_go()
            if self._history is not None and self.feed.now_ns:
                with contextlib.suppress(StoreError):  # the file is being opened anew
                    self.feed.tell_day(await asyncio.to_thread(self._day, self._history))
            await asyncio.sleep(FIGURES_S if self.feed.now_ns else 1.0)

    def _day(self, history: SharedHistory) -> dict[str, Any]:
        offset = datetime.fromtimestamp(self._clock_ns() / NS_PER_S).astimezone().utcoffset()
        offset_s = round(offset.total_seconds()) if offset else 0
        return day_figures(history, self._config.parlor.name, now_ns=self.feed.now_ns, offset_s=offset_s)

    def query(self, sql: str, params: list[Any]) -> dict[str, Any]:
        """Answer one read-only statement in a fenced process, bounded in time, rows, memory and number.

        Raises
        ------
        InputError
            The statement is wrong.
        StoreError
            The history is not open, or too many ask at once.
        """
        self._open()
        return self._door.ask(sql, params)

    def backup(self) -> Path:
        """Make a whole copy of the history and return the file, which the caller removes.

        Raises
        ------
        StoreError
            The history is not open, or cannot be copied.
        """
        history = self._open()
        target = history.path.with_name(f".{history.path.name}.backup-{secrets.token_hex(4)}")
        copy_history(history.path, target, held=history.held)
        return target

    def note(self, entry: dict[str, Any]) -> None:
        """Store a maintenance entry ``{at_ns, stalls, what, note}``.

        Raises
        ------
        InputError
            A field is missing or of the wrong kind.
        """
        at_ns, stalls, what, note = (entry.get(key) for key in ("at_ns", "stalls", "what", "note"))
        if not isinstance(at_ns, int) or not isinstance(what, str) or not isinstance(note, str | None):
            raise InputError(
                'the body must be {"at_ns": ns, "what": text, "stalls": [numbers], "note": text}'
            )
        if stalls is not None and not (
            isinstance(stalls, list) and all(type(stall) is int for stall in stalls)
        ):
            raise InputError("stalls must be a list of numbers, or null for all")
        self._open().add_maintenance(at_ns=at_ns, stalls=stalls, what=what, note=note)
        self._door.outdate()

    def _held(self) -> AbstractContextManager[None]:
        """Keep the history from being written for as long as the block lasts."""
        return self._open().held()

    def _open(self) -> SharedHistory:
        if self._history is None:
            raise StoreError("the history is not open yet; try again")
        return self._history
