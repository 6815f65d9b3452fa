"""What is amiss now, read from the detector's view of every stall and from its results."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from typing import Final

from dashboards.alerts.kinds import PLANT, AlertKind, AlertRules, Finding
from dashboards.matching import NS_PER_S
from detect.kinds import AirKind, Condition
from detect.results import AirEvent, ConditionEvent, Result
from detect.views import PlantNow, StallNow

PAST: Final = frozenset({Condition.DATA_GAP})
"""Conditions that tell of something over: nobody needs to come for them."""


class Findings:
    """Tell all that is amiss; remembers slips and falls of the milkings that go on."""

    def __init__(self, rules: AlertRules) -> None:
        self._rules = rules
        self._slips: dict[int, list[AirEvent]] = defaultdict(list)
        self._fallen: dict[int, AirEvent] = {}
        self._conditions: dict[tuple[int, Condition], ConditionEvent] = {}

    def look(self, stalls: Sequence[StallNow], plant: PlantNow, results: Iterable[Result]) -> list[Finding]:
        """Return what is amiss as of the last worked bin.

        Parameters
        ----------
        stalls, plant:
            The detector's view.
        results:
            What it has said since the last look.
        """
        for result in results:
            self._remember(result)
        found = list(self._of_plant(plant))
        for now in stalls:
            found += self._of_stall(now)
        return found + list(self._of_technician(plant.t_ns))

    def _remember(self, result: Result) -> None:
        match result:
            case AirEvent(kind=AirKind.LINER_SLIP):
                self._slips[result.stall].append(result)
            case AirEvent(kind=AirKind.FALL_OFF):
                self._fallen[result.stall] = result
            case ConditionEvent(condition=condition) if condition not in PAST:
                self._conditions[result.stall, condition] = result

    def _of_plant(self, plant: PlantNow) -> Iterator[Finding]:
        since_ns = plant.dip_since_ns
        if since_ns is not None and _age_s(plant.t_ns, since_ns) >= self._rules.dip_s:
            yield Finding(PLANT, AlertKind.PLANT_LOW, since_ns, plant.dip_kpa)

    def _of_stall(self, now: StallNow) -> Iterator[Finding]:
        rules, stall = self._rules, now.stall
        yield from self._fall(now)
        if now.air_since_ns is not None:
            if now.low_s >= rules.off_s:
                yield Finding(stall, AlertKind.UNIT_OFF, now.air_since_ns, now.air_l)
            elif _age_s(now.t_ns, now.air_since_ns) >= rules.leak_s:
                yield Finding(stall, AlertKind.LEAK, now.air_since_ns, now.air_l)
        yield from self._slipping(now)
        since_ns = now.unsupported_since_ns
        if now.attached and since_ns is not None and _age_s(now.t_ns, since_ns) >= rules.unsupported_s:
            yield Finding(stall, AlertKind.UNSUPPORTED, since_ns)
        if now.attached and now.silent_s >= rules.silent_s:
            yield Finding(stall, AlertKind.SILENT, now.t_ns - round(now.silent_s * NS_PER_S))

    def _fall(self, now: StallNow) -> Iterator[Finding]:
        """Yield a fall until the unit is on again or the milking is over."""
        fall = self._fallen.get(now.stall)
        if fall is None:
            return
        if now.attached or now.milking_id is None or now.milking_id != fall.milking_id:
            del self._fallen[now.stall]
        else:
            yield Finding(now.stall, AlertKind.UNIT_OFF, fall.start_ns, fall.air_l)

    def _slipping(self, now: StallNow) -> Iterator[Finding]:
        rules = self._rules
        slips = [
            slip
            for slip in self._slips.pop(now.stall, ())
            if slip.milking_id == now.milking_id and _age_s(now.t_ns, slip.end_ns) < rules.slips_within_s
        ]
        if slips:
            self._slips[now.stall] = slips
        if now.attached and len(slips) >= rules.slips:
            yield Finding(now.stall, AlertKind.SLIPPING, slips[0].start_ns, float(len(slips)))

    def _of_technician(self, t_ns: int) -> Iterator[Finding]:
        over = [
            key
            for key, event in self._conditions.items()
            if event.end_ns is not None or _age_s(t_ns, event.detected_ns) > self._rules.notice_s
        ]
        for key in over:
            del self._conditions[key]
        for (stall, condition), event in self._conditions.items():
            detail = f"{condition}: {event.evidence}"
            yield Finding(stall, AlertKind.TECHNICIAN, event.start_ns, detail=detail)


def _age_s(now_ns: int, since_ns: int) -> float:
    return (now_ns - since_ns) / NS_PER_S
