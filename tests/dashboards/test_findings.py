"""What is amiss is found from the detector's view, and only while it can still be helped."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import pytest

from dashboards.alerts.findings import Findings
from dashboards.alerts.kinds import PLANT, AlertKind, AlertRules, Finding
from detect.kinds import AirKind, Condition
from detect.results import ConditionEvent, Result
from detect.views import PlantNow, StallNow
from tests.dashboards.stage import START_NS, S, idle, milked, slip

T = START_NS + 600 * S


def look(
    now: StallNow, *results: Result, dip_since_ns: int | None = None, findings: Findings | None = None
) -> list[Finding]:
    findings = findings or Findings(AlertRules())
    return findings.look([replace(now, t_ns=T)], PlantNow(T, dip_since_ns, 4.0), results)


def kinds(found: Iterable[Finding]) -> list[AlertKind]:
    return [finding.kind for finding in found]


@pytest.mark.parametrize(
    ("now", "expected"),
    [
        (milked(3), []),
        (idle(3), []),
        (replace(milked(3), air_since_ns=T - 2 * S, air_l=0.3), []),
        (replace(milked(3), air_since_ns=T - 3 * S, air_l=0.9), [AlertKind.LEAK]),
        (replace(milked(3), air_since_ns=T - S, air_l=2.0, low_s=1.0), [AlertKind.UNIT_OFF]),
        (replace(milked(3), unsupported_since_ns=T - 9 * S), []),
        (replace(milked(3), unsupported_since_ns=T - 10 * S), [AlertKind.UNSUPPORTED]),
        (replace(idle(3), unsupported_since_ns=T - 60 * S), []),
        (replace(milked(3), silent_s=9.0), []),
        (replace(milked(3), silent_s=10.0), [AlertKind.SILENT]),
        (replace(idle(3), silent_s=60.0), []),
    ],
)
def test_each_state_of_a_stall_gives_its_finding(now: StallNow, expected: list[AlertKind]) -> None:
    """A thing is found when it has lasted, and nothing is found at a quiet or an empty stall."""
    assert kinds(look(now)) == expected


def test_three_slips_of_one_milking_within_a_minute_are_found() -> None:
    """Two do not count, nor those of the cow before, nor one of over a minute ago."""
    slips = [slip(3, T - ago * S) for ago in (50, 30, 10)]
    assert kinds(look(milked(3), *slips)) == [AlertKind.SLIPPING]
    assert kinds(look(milked(3), *slips[:2])) == []
    assert kinds(look(milked(3), *slips[:2], slip(3, T - 70 * S))) == []
    assert kinds(look(replace(milked(3), milking_id="another"), *slips)) == []


def test_a_fall_stands_until_the_unit_is_on_again_or_the_milking_is_over() -> None:
    """The alert outlives the event, because the unit still hangs there."""
    fall = slip(3, T - 20 * S, kind=AirKind.FALL_OFF)
    hanging = replace(milked(3), attached=False, vacuum_kpa=2.0)
    for after in (milked(3), idle(3), replace(hanging, milking_id="another")):
        findings = Findings(AlertRules())
        assert kinds(look(hanging, fall, findings=findings)) == [AlertKind.UNIT_OFF]
        assert kinds(look(hanging, findings=findings)) == [AlertKind.UNIT_OFF]
        assert kinds(look(after, findings=findings)) == []
        assert kinds(look(hanging, findings=findings)) == []


def test_a_removal_under_vacuum_calls_nobody() -> None:
    """Somebody is there already: it is kept in the history, no alert."""
    assert look(idle(3), slip(3, T - 5 * S, kind=AirKind.VACUUM_REMOVAL)) == []


def test_a_dip_of_the_plant_is_found_after_two_seconds() -> None:
    """The regulator's ordinary swing is no alarm."""
    assert look(milked(3), dip_since_ns=T - S) == []
    found = look(milked(3), dip_since_ns=T - 2 * S)
    assert found == [Finding(PLANT, AlertKind.PLANT_LOW, T - 2 * S, 4.0)]


def test_a_condition_stands_until_it_ends_or_the_shift_is_over() -> None:
    """A gap in past data needs nobody; a blocked vent does, until it is reported as ended."""
    event = ConditionEvent("willowmere", 3, T - S, None, T, Condition.VENT_BLOCKED, "decay 5.6 s")
    assert look(milked(3), replace(event, condition=Condition.DATA_GAP, end_ns=T)) == []
    findings = Findings(AlertRules())
    assert [f.detail for f in look(milked(3), event, findings=findings)] == ["vent_blocked: decay 5.6 s"]
    assert kinds(look(milked(3), findings=findings)) == [AlertKind.TECHNICIAN]
    assert look(milked(3), replace(event, end_ns=T), findings=findings) == []
    assert look(milked(3), replace(event, detected_ns=T - 9 * 3600 * S)) == []
