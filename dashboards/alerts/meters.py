"""Alerts as metrics: what is found at every stall, before one alert speaks for many, and what is told.

Labels are the configured stalls and the closed vocabulary of findings; all exist from the start.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from prometheus_client import CollectorRegistry, Counter, Gauge

from dashboards.alerts.kinds import PLANT, Alert, AlertKind, Finding, Standing

OF_STALL: Final = tuple(kind for kind in AlertKind if kind not in (AlertKind.PLANT_LOW, AlertKind.MANY))


class AlertMeters:
    """Show findings and alerts in the registry that is passed in.

    Parameters
    ----------
    registry:
        Where the meters live.
    stalls:
        Number of stalls.
    """

    def __init__(self, registry: CollectorRegistry, *, stalls: int) -> None:
        self._finding = Gauge(
            "quietclaw_stall_finding",
            "1 while this is found at the stall.",
            ("stall", "finding"),
            registry=registry,
        )
        self._plant = Gauge(
            "quietclaw_plant_low", "1 while the vacuum of the plant is low.", registry=registry
        )
        self._alerts = Gauge(
            "quietclaw_alerts", "Alerts that stand, by how they stand.", ("standing",), registry=registry
        )
        self._raised = Counter(
            "quietclaw_alerts_raised", "Alerts that have called.", ("alert",), registry=registry
        )
        self._of = {
            (stall, kind): self._finding.labels(stall=str(stall), finding=kind)
            for stall in range(1, stalls + 1)
            for kind in OF_STALL
        }
        for kind in AlertKind:
            self._raised.labels(alert=kind)
        for standing in Standing:
            self._alerts.labels(standing=standing)
        self._found: set[tuple[int, AlertKind]] = set()
        self._known: set[str] = set()

    def show(self, alerts: Sequence[Alert], findings: Sequence[Finding]) -> None:
        """Show what is found and told now."""
        found = {(finding.stall, finding.kind) for finding in findings if finding.stall != PLANT}
        for key in found ^ self._found:
            if key in self._of:
                self._of[key].set(key in found)
        self._found = found
        self._plant.set(any(finding.kind is AlertKind.PLANT_LOW for finding in findings))
        called = {alert.alert_id: alert.kind for alert in alerts if alert.standing is Standing.SHOWN}
        for alert_id in called.keys() - self._known:
            self._raised.labels(alert=called[alert_id]).inc()
        self._known = set(called)
        self._alerts.labels(standing=Standing.SHOWN).set(len(called))
        self._alerts.labels(standing=Standing.WAITING).set(len(alerts) - len(called))
