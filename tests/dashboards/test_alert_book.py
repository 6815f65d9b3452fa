"""Alerts respect the pit: one a thing, steady, few, cleared by themselves, one for a storm."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboards.alerts.book import AlertBook
from dashboards.alerts.kinds import PLANT, Alert, AlertKind, AlertRules, Finding, Severity, Standing
from tests.dashboards.stage import START_NS, S

RULES = AlertRules()
WARNINGS = RULES.per_rotation - RULES.reserve


def at(second: float) -> int:
    return START_NS + round(second * S)


def found(stall: int, kind: AlertKind = AlertKind.UNSUPPORTED, *, since: float = 0.0) -> Finding:
    return Finding(stall, kind, at(since))


def shown(book: AlertBook) -> list[Alert]:
    return [alert for alert in book.alerts if alert.standing is Standing.SHOWN]


def test_one_thing_is_one_alert_however_often_it_is_found() -> None:
    """Found again and again it stays the same alert, and nothing new is told."""
    book = AlertBook(80, RULES)
    assert book.update(at(0), [found(7)])
    assert not book.update(at(1), [found(7)])
    (alert,) = book.alerts
    assert (alert.stall, alert.kind, alert.severity) == (7, AlertKind.UNSUPPORTED, Severity.WARNING)


def test_a_flicker_neither_clears_nor_raises_again() -> None:
    """Hysteresis: what is missing for less than the clearing time still stands, then it goes by itself."""
    book = AlertBook(80, RULES)
    book.update(at(0), [found(7)])
    (first,) = book.alerts
    book.update(at(RULES.clear_s - 0.5), [])
    assert book.alerts == (first,)
    book.update(at(RULES.clear_s), [found(7)])
    assert book.alerts == (first,)
    assert book.update(at(2 * RULES.clear_s), [])
    assert book.alerts == ()


def test_the_worst_of_a_stall_is_told_and_a_worse_one_takes_over() -> None:
    """A unit that falls off after slipping is one alert, and whoever took the first is called again."""
    book = AlertBook(80, RULES)
    book.update(at(0), [found(7), found(7, AlertKind.SLIPPING)])
    (alert,) = book.alerts
    assert alert.kind is AlertKind.SLIPPING
    assert book.acknowledge(alert.alert_id, "Ann")
    book.update(at(1), [found(7), found(7, AlertKind.UNIT_OFF)])
    (alert,) = book.alerts
    assert (alert.kind, alert.taken_by) == (AlertKind.UNIT_OFF, None)
    book.update(at(1 + RULES.clear_s), [found(7)])
    (alert,) = book.alerts
    assert alert.kind is AlertKind.UNSUPPORTED


def test_only_so_many_call_in_a_rotation_and_the_rest_waits() -> None:
    """The budget is of a rotation; some of it is kept for what is critical; what waits is called later."""
    book = AlertBook(80, RULES)
    for k in range(WARNINGS + 3):
        book.update(at(20 * k), [found(stall + 1, since=20 * stall) for stall in range(k + 1)])
    assert len(shown(book)) == WARNINGS
    assert [a.stall for a in book.alerts if a.standing is Standing.WAITING] == [8, 9, 10]
    late = [found(40 + k, AlertKind.UNIT_OFF, since=300 + 20 * k) for k in range(RULES.reserve + 1)]
    now = [found(stall + 1, since=20 * stall) for stall in range(WARNINGS + 3)]
    for k in range(len(late)):
        book.update(at(300 + 20 * k), now + late[: k + 1])
    assert len(shown(book)) == RULES.per_rotation
    book.update(at(RULES.rotation_s + 65), now)
    assert [a.stall for a in shown(book)][:2] == [1, 2]
    assert not [a for a in book.alerts if a.stall == 8 and a.standing is Standing.WAITING]


def test_a_storm_of_eighty_stalls_ends_in_one_alert() -> None:
    """Eighty at once are one thing, with its stalls; when it is over the list is empty again."""
    book = AlertBook(80, RULES)
    storm = [found(stall, AlertKind.UNIT_OFF) for stall in range(1, 81)]
    book.update(at(0), storm)
    (alert,) = book.alerts
    assert (alert.kind, alert.stall, len(alert.stalls)) == (AlertKind.MANY, PLANT, 80)
    book.update(at(30), storm)
    assert [a.kind for a in book.alerts] == [AlertKind.MANY]
    book.update(at(30 + RULES.clear_s), [])
    assert book.alerts == ()


def test_a_failing_plant_speaks_for_its_stalls_even_when_they_were_first() -> None:
    """Three stalls call, then the plant is found to fail: one alert is left."""
    book = AlertBook(80, RULES)
    first = [found(stall, AlertKind.LEAK) for stall in (3, 9, 27)]
    book.update(at(0), first)
    assert len(shown(book)) == 3
    rest = [found(stall, AlertKind.UNIT_OFF, since=2) for stall in range(1, 81)]
    book.update(at(3), [*rest, Finding(PLANT, AlertKind.PLANT_LOW, at(1), 20.0)])
    (alert,) = book.alerts
    assert alert.kind is AlertKind.PLANT_LOW
    book.update(at(4), [*rest, Finding(PLANT, AlertKind.PLANT_LOW, at(1), 20.0)])
    assert [a.kind for a in book.alerts] == [AlertKind.PLANT_LOW]


def test_a_stall_that_called_before_the_storm_is_part_of_it_when_it_gets_worse() -> None:
    """A unit that hung loose falls off with all the others: still one alert."""
    book = AlertBook(80, RULES)
    book.update(at(0), [found(7)])
    book.update(at(60), [found(stall, AlertKind.UNIT_OFF, since=60) for stall in range(1, 81)])
    assert [(a.kind, len(a.stalls)) for a in book.alerts] == [(AlertKind.MANY, 80)]


def test_a_dip_does_not_hide_what_it_cannot_explain() -> None:
    """A unit that hung loose long before the plant fell is still told."""
    book = AlertBook(80, RULES)
    book.update(at(0), [found(7)])
    book.update(at(60), [found(7), Finding(PLANT, AlertKind.PLANT_LOW, at(58), 4.0)])
    assert [a.kind for a in book.alerts] == [AlertKind.PLANT_LOW, AlertKind.UNSUPPORTED]


def test_what_outlasts_a_storm_is_told_by_itself() -> None:
    """After the common cause is gone the few stalls that still need a person call."""
    book = AlertBook(80, RULES)
    storm = [found(stall, AlertKind.UNIT_OFF) for stall in range(1, 81)]
    book.update(at(0), storm)
    book.update(at(20), storm[:2])
    assert sorted(a.stall for a in shown(book)) == [1, 2]


def test_an_alert_is_taken_by_name_until_it_clears() -> None:
    """The name stays with the alert; an alert that has cleared cannot be taken."""
    book = AlertBook(80, RULES)
    book.update(at(0), [found(7)])
    (alert,) = book.alerts
    assert book.acknowledge(alert.alert_id, "  Ann \n B ")
    book.update(at(1), [found(7)])
    assert book.alerts[0].taken_by == "Ann B"
    book.update(at(10), [])
    assert not book.acknowledge(alert.alert_id, "Ann")


def test_a_storm_can_be_taken() -> None:
    """Somebody goes to the pump: the others see it."""
    book = AlertBook(80, RULES)
    book.update(at(0), [found(stall, AlertKind.UNIT_OFF) for stall in range(1, 81)])
    assert book.acknowledge(book.alerts[0].alert_id, "Ann")
    assert book.alerts[0].taken_by == "Ann"


@pytest.mark.parametrize("stalls", [12, 80])
@given(
    looks=st.lists(
        st.sets(st.tuples(st.integers(1, 12), st.sampled_from(AlertKind)), max_size=12), max_size=60
    )
)
def test_whatever_is_found_the_pit_is_not_flooded(
    stalls: int, looks: list[set[tuple[int, AlertKind]]]
) -> None:
    """Never more new calls in a rotation than the rules allow, never two alerts of one stall."""
    book = AlertBook(stalls, RULES)
    calls, before = 0, set[int]()
    for k, look in enumerate(looks):
        wrong = (AlertKind.MANY, AlertKind.PLANT_LOW)
        book.update(at(2 * k), [found(stall, kind) for stall, kind in look if kind not in wrong])
        assert len({alert.stall for alert in book.alerts}) == len(book.alerts)
        calling = {a.stall for a in shown(book) if a.stall != PLANT and a.severity is not Severity.NOTICE}
        calls += len(calling - before)
        before = calling | {stall for a in book.alerts if a.stall == PLANT for stall in a.stalls}
    assert calls <= RULES.per_rotation
