"""Readings that stand still, and what an open claw says about its sensor's zero."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from detect.beat import WIDTH
from detect.condition import (
    LOOK,
    PARK_LOOKS,
    PARKED_SPAN_KPA,
    REST,
    STALE,
    ZERO_STEP,
    judge_sensors,
)
from detect.episode import WATCHED, Finding, Verdict
from detect.evidence import UNDER_VACUUM_KPA
from detect.kinds import Condition
from detect.norms import FEW
from tests.detect.looked import AT, BEAT, KPA, OWN, PARAMS, T_S, look, parlor, write


def frozen(state: Any, at: int) -> list[Finding]:
    """Return what a look says about standing readings."""
    found = judge_sensors(look(state, at), PARAMS)
    return [finding for _, finding in found if finding.condition is Condition.SENSOR_FROZEN]


def test_a_reading_that_stands_under_vacuum_for_ten_seconds_is_stuck() -> None:
    """Dated to where it stopped: 40 bins before a look, it is told at the second look after."""
    state = parlor(flow_bin=-1)
    ring = KPA + BEAT
    ring[-40:] = 40.0
    write(state, ring)
    assert frozen(state, AT) == []
    assert (state["norms"]["still_bin"][0], state["norms"]["still_kpa"][0]) == (AT - 40, 40.0)
    write(state, np.full(WIDTH, 40.0), AT + LOOK)
    (finding,) = frozen(state, AT + LOOK)
    assert (finding.verdict, finding.from_bin, finding.to_bin) == (Verdict.BAD, AT - 40, AT + LOOK)
    assert finding.figures == (40.0, pytest.approx(12.0), 0.0)


@pytest.mark.parametrize(
    ("kpa", "fields", "stuck"),
    [
        (UNDER_VACUUM_KPA + 0.1, {}, True),
        (UNDER_VACUUM_KPA - 0.1, {}, False),
        (0.0, {"flow_slow": OWN.moving_kg_min + 0.1, "attached": 0, "off_bin": AT - REST - 1}, True),
        (0.0, {"flow_slow": OWN.moving_kg_min - 0.1, "attached": 0, "off_bin": AT - REST - 1}, False),
        (0.0, {"flow_slow": 3.0, "attached": 0, "off_bin": AT - REST}, False),
        (0.0, {"flow_slow": 3.0, "attached": 1, "off_bin": AT - REST - 1}, False),
        (0.0, {"flow_slow": 3.0, "attached": 0, "off_bin": AT - REST - 1, "flow_bin": AT - STALE - 1}, False),
    ],
)
def test_what_proves_that_a_reading_must_move(kpa: float, fields: dict[str, Any], stuck: bool) -> None:
    """Vacuum itself, or milk of a unit that the sensor says is off; an empty claw may stand still."""
    state = parlor(ring=np.full(WIDTH, kpa), **fields)
    state["norms"]["still_bin"], state["norms"]["still_kpa"] = AT - 900, kpa
    assert bool(frozen(state, AT)) is stuck


def test_a_reading_that_moved_meanwhile_stands_since_then_only() -> None:
    """Another value than at the last look begins anew, and ten seconds are not over."""
    state = parlor(ring=np.full(WIDTH, 40.0))
    state["norms"]["still_bin"], state["norms"]["still_kpa"] = AT - 900, 40.0 + 1.5 * OWN.still_kpa
    assert frozen(state, AT) == []
    assert (state["norms"]["still_bin"][0], state["norms"]["still_kpa"][0]) == (AT - WIDTH, 40.0)


def test_a_stuck_reading_that_moves_again_is_well_since_it_moved() -> None:
    """Thirty bins into the look it left where it stood; had it been elsewhere, since the look began."""
    ring = KPA + BEAT
    ring[:30] = 40.0
    for still_kpa, moved in ((40.0, AT - WIDTH + 30), (39.0, AT - WIDTH)):
        state = parlor(ring=ring)
        state["episode"]["open"][0, WATCHED.index(Condition.SENSOR_FROZEN)] = 1
        state["norms"]["still_bin"], state["norms"]["still_kpa"] = AT - 900, still_kpa
        (finding,) = frozen(state, AT)
        assert (finding.verdict, finding.from_bin) == (Verdict.GOOD, moved)
        assert state["norms"]["still_bin"][0] > AT - WIDTH


def zeros(kpa: float, looks: int, swing: float = 0.0, **fields: Any) -> tuple[Any, list[Finding | None]]:
    """Return a parked stall after some looks at an open claw, and what each said about its doubted zero."""
    state = parlor(attached=0, off_bin=AT - REST - WIDTH, **fields)
    state["episode"]["bad"][0, WATCHED.index(Condition.SENSOR_ZERO_OFF)] = 1
    said = []
    for k in range(looks):
        at = AT + k * LOOK
        write(state, kpa + 0.5 * swing * np.sign(np.sin(T_S)), at)
        found = [f for _, f in judge_sensors(look(state, at), PARAMS)]
        zero = [f for f in found if f.condition is Condition.SENSOR_ZERO_OFF]
        said.append(zero[0] if zero else None)
    return state, said


def test_an_open_claw_says_what_the_sensor_s_zero_is() -> None:
    """At the second look of a parking and every 70 s after it; between the limits nobody is sure."""
    _, said = zeros(OWN.zero_kpa + 0.01, PARK_LOOKS + 2)
    assert [f is not None for f in said] == [False, True] + [False] * (PARK_LOOKS - 1) + [True]
    bad = said[1]
    assert bad is not None
    assert (bad.verdict, bad.from_bin, bad.to_bin) == (Verdict.BAD, AT, AT + LOOK)
    assert bad.figures == (pytest.approx(OWN.zero_kpa + 0.01),)
    for kpa, verdict in ((-OWN.zero_kpa - 0.01, Verdict.BAD), (OWN.zero_fine_kpa - 0.01, Verdict.GOOD)):
        finding = zeros(kpa, 2)[1][1]
        assert finding is not None
        assert finding.verdict is verdict
    assert zeros(OWN.zero_kpa - 0.01, 2)[1][1] is None
    assert zeros(OWN.zero_fine_kpa + 0.01, 2)[1][1] is None


def test_a_good_zero_that_nobody_doubted_is_not_told() -> None:
    """It would change nothing; what is wrong is told all the same."""
    for kpa, told in ((0.0, 0), (OWN.zero_kpa + 0.01, 1)):
        state = parlor(attached=0, off_bin=AT - REST - WIDTH)
        state["norms"]["park_bin"], state["norms"]["park_n"] = state["off_bin"], 1
        state["norms"]["park_kpa"] = kpa
        write(state, kpa, AT)
        assert len(list(judge_sensors(look(state), PARAMS))) == told
        assert state["norms"]["zero_n"][0] == 1


@pytest.mark.parametrize("fields", [{"seen_off": 0}, {"swing": PARKED_SPAN_KPA + 0.01}], ids=str)
def test_only_a_claw_that_hangs_open_and_quiet_says_so(fields: dict[str, Any]) -> None:
    """Seen off, for sixteen seconds, and moving by less than a kPa."""
    assert zeros(2.0, 2, **fields)[1] == [None, None]
    assert zeros(2.0, 2, swing=PARKED_SPAN_KPA - 0.01)[1][1] is not None
    state = parlor(attached=0, off_bin=AT - REST - WIDTH + 1, ring=np.full(WIDTH, 2.0))
    list(judge_sensors(look(state), PARAMS))
    assert state["norms"]["park_n"][0] == 0


def test_the_zero_is_the_mean_of_parkings_and_each_may_move_it_by_half_a_kpa() -> None:
    """The first is taken as it is; the next one 3 kPa off counts as half a kPa."""
    state, _ = zeros(0.4, 2)
    assert (state["norms"]["zero_n"][0], state["norms"]["zero_kpa"][0]) == (1, pytest.approx(0.4))
    for kpa, moved in ((3.4, ZERO_STEP), (-3.4, -ZERO_STEP)):
        again = state.copy()
        again["off_bin"] -= 1
        for at in (AT, AT + LOOK):
            write(again, kpa, at)
            list(judge_sensors(look(again, at), PARAMS))
        assert again["norms"]["zero_n"][0] == 2
        assert again["norms"]["zero_kpa"][0] == pytest.approx(0.4 + moved / 2.0)
    assert FEW > 2
