"""The alerts that stand: one a stall, cleared by themselves, few enough for a person, and one for a storm.

Time is the signal's own, so a record played faster or read after an outage gives the same alerts.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass

from dashboards.alerts.kinds import (
    PLANT,
    RANK,
    SEVERITY,
    URGENCY,
    Alert,
    AlertKind,
    AlertRules,
    Finding,
    Severity,
    Standing,
)
from dashboards.matching import NS_PER_S

COVERED = frozenset({AlertKind.UNIT_OFF, AlertKind.LEAK, AlertKind.SLIPPING, AlertKind.SILENT})
"""What the fall of the plant explains."""
NAME_CHARS = 40


@dataclass(slots=True)
class _Case:
    """One stall's alert in the making."""

    finding: Finding
    alert_id: str
    found_ns: int  # when it was first found
    seen_ns: int  # when it was last found
    shown: bool = False
    covered: bool = False  # another alert speaks for it
    taken_by: str | None = None


class AlertBook:
    """Turn findings into alerts; safe to read and to acknowledge from any thread.

    Parameters
    ----------
    stalls:
        Number of stalls.
    rules:
        When something is told, and how often.
    """

    def __init__(self, stalls: int, rules: AlertRules) -> None:
        self._rules = rules
        self._many = max(rules.many_least, round(rules.many_share * stalls))
        self._cases: dict[int, _Case] = {}
        self._calls: deque[int] = deque()
        self._storm: _Case | None = None
        self._alerts: tuple[Alert, ...] = ()
        self._lock = threading.Lock()

    @property
    def alerts(self) -> tuple[Alert, ...]:
        """Return the alerts that stand: those that call, worst and oldest first, then those that wait."""
        return self._alerts

    def update(self, t_ns: int, findings: Iterable[Finding]) -> bool:
        """Take in what is found now; tell whether the alerts have changed.

        Parameters
        ----------
        t_ns:
            The instant of the findings [ns, signal time].
        findings:
            All that is amiss then.
        """
        with self._lock:
            for finding in sorted(findings, key=lambda f: RANK[f.kind], reverse=True):
                self._take(t_ns, finding)
            self._clear(t_ns)
            self._gather(t_ns)
            self._call(t_ns)
            return self._publish()

    def drop(self) -> bool:
        """Let all alerts go, since nobody knows any more what stands; tell whether there were any."""
        with self._lock:
            self._cases.clear()
            self._storm = None
            return self._publish()

    def acknowledge(self, alert_id: str, name: str) -> bool:
        """Note who looks after an alert; tell whether it still stands."""
        with self._lock:
            for case in (*self._cases.values(), *([self._storm] if self._storm else [])):
                if case.alert_id == alert_id:
                    case.taken_by = " ".join(name.split())[:NAME_CHARS]
                    self._publish()
                    return True
            return False

    def _take(self, t_ns: int, finding: Finding) -> None:
        """Open or refresh a stall's case; only a worse finding may take an open one over."""
        case = self._cases.get(finding.stall)
        if case is None:
            self._cases[finding.stall] = _Case(finding, _id(finding), t_ns, t_ns)
        elif case.finding.kind is finding.kind:
            case.finding = Finding(
                finding.stall, finding.kind, case.finding.since_ns, finding.value, finding.detail
            )
            case.seen_ns = t_ns
        elif RANK[finding.kind] < RANK[case.finding.kind] or self._is_over(case, t_ns):
            worse = RANK[finding.kind] < RANK[case.finding.kind]
            case.shown = case.shown and not (worse and SEVERITY[case.finding.kind] is Severity.NOTICE)
            case.finding, case.alert_id, case.seen_ns = finding, _id(finding), t_ns
            if worse:
                case.found_ns, case.taken_by = t_ns, None

    def _is_over(self, case: _Case, t_ns: int) -> bool:
        return t_ns - case.seen_ns >= self._rules.clear_s * NS_PER_S

    def _clear(self, t_ns: int) -> None:
        for stall in [stall for stall, case in self._cases.items() if self._is_over(case, t_ns)]:
            del self._cases[stall]

    def _gather(self, t_ns: int) -> None:
        """Let one alert speak for many stalls that were found together."""
        window_ns = self._rules.many_within_s * NS_PER_S
        stalls = [case for stall, case in self._cases.items() if stall != PLANT]
        plant = self._cases.get(PLANT)
        if plant is not None and plant.finding.kind is AlertKind.PLANT_LOW:
            for case in stalls:
                near = case.found_ns >= plant.finding.since_ns - window_ns
                case.covered = case.covered or (near and case.finding.kind in COVERED)
            self._storm = None
            return
        recent = [c for c in stalls if c.covered or (t_ns - c.found_ns < window_ns and _urgent(c.finding))]
        if len(recent) < (self._many if self._storm is None else (self._many + 1) // 2):
            self._storm = None
            for case in stalls:
                case.covered = False
            return
        for case in recent:
            case.covered = True
        self._join(recent, t_ns)

    def _join(self, cases: list[_Case], t_ns: int) -> None:
        since_ns = min(case.finding.since_ns for case in cases)
        if self._storm is None:
            first = Finding(PLANT, AlertKind.MANY, since_ns)
            self._storm = _Case(first, _id(first), t_ns, t_ns, shown=True)
        since_ns = self._storm.finding.since_ns
        self._storm.finding = Finding(PLANT, AlertKind.MANY, since_ns, float(len(cases)))

    def _call(self, t_ns: int) -> None:
        """Let as many call as the rotation allows, worst and oldest first."""
        rules = self._rules
        while self._calls and t_ns - self._calls[0] >= rules.rotation_s * NS_PER_S:
            self._calls.popleft()
        for case in sorted(self._cases.values(), key=lambda c: (RANK[c.finding.kind], c.found_ns)):
            if case.shown or case.covered:
                continue
            severity = SEVERITY[case.finding.kind]
            if case.finding.stall == PLANT or severity is Severity.NOTICE:
                case.shown = True  # the plant is always told; a notice calls nobody into the pit
                continue
            kept = 0 if severity is Severity.CRITICAL else rules.reserve
            if len(self._calls) < rules.per_rotation - kept:
                self._calls.append(t_ns)
                case.shown = True

    def _publish(self) -> bool:
        cases = [case for case in self._cases.values() if not case.covered]
        if self._storm is not None:
            cases.append(self._storm)
        covered = tuple(sorted(stall for stall, case in self._cases.items() if case.covered))
        alerts = sorted((_alert(case, covered) for case in cases), key=_order)
        changed = tuple(alerts) != self._alerts
        self._alerts = tuple(alerts)
        return changed


def _urgent(finding: Finding) -> bool:
    return SEVERITY[finding.kind] is not Severity.NOTICE or finding.kind is AlertKind.SILENT


def _id(finding: Finding) -> str:
    return f"{finding.stall}-{finding.kind}-{finding.since_ns // 1_000_000}"


def _alert(case: _Case, covered: tuple[int, ...]) -> Alert:
    finding = case.finding
    return Alert(
        alert_id=case.alert_id,
        stall=finding.stall,
        kind=finding.kind,
        severity=SEVERITY[finding.kind],
        standing=Standing.SHOWN if case.shown else Standing.WAITING,
        since_ns=finding.since_ns,
        value=round(finding.value, 1),
        detail=finding.detail,
        stalls=covered if finding.stall == PLANT else (finding.stall,),
        taken_by=case.taken_by,
    )


def _order(alert: Alert) -> tuple[bool, int, int, int]:
    return (alert.standing is Standing.WAITING, URGENCY[alert.severity], alert.since_ns, alert.stall)
