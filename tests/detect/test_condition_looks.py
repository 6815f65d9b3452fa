"""One look at stalls written by hand: who hangs, at what vacuum, and what teaches its curve."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from detect.beat import WIDTH
from detect.condition import (
    FALLEN_SHARE,
    LEARN_SHARE,
    LOOK,
    PARK_LOOKS,
    REST,
    STALE,
    STEADY_SHARE,
    STUCK,
    judge_vacuum,
    look_round,
    take_look,
)
from detect.kinds import Condition
from detect.norms import BORN_LOOKS, GROWN_LOOKS, QUORUM, learn_curve
from tests.detect.looked import AT, BEAT, KPA, OWN, PARAMS, look, parlor, write


def test_a_look_reads_the_ring_in_order() -> None:
    """Oldest first, wherever the ring begins; the mean is the claw vacuum."""
    seen = look(parlor())
    assert seen.rings[0] == pytest.approx(KPA + BEAT)
    assert (seen.kpa[0], seen.flow_kg_min[0]) == (pytest.approx((KPA + BEAT).mean()), 2.0)
    assert (seen.whole[0], seen.hanging[0], seen.bin) == (True, True, AT)
    assert np.isnan(seen.usual_kpa[0])


@pytest.mark.parametrize(
    "fields",
    [{"attached": 0}, {"settled": 0}, {"opening": 1}, {"on_bin": AT - REST - WIDTH + 1}],
    ids=str,
)
def test_who_does_not_hang_undisturbed_tells_nothing(fields: dict[str, int]) -> None:
    """Off, unsettled, in an event, or put on within the last sixteen seconds."""
    seen = look(parlor(**fields))
    assert not seen.hanging[0]
    assert np.isnan(seen.flow_kg_min[0])
    assert look(parlor(on_bin=AT - REST - WIDTH)).hanging[0]
    assert not take_look(parlor(), AT, np.zeros(1, bool), PARAMS).hanging[0]


def test_a_missing_bin_or_one_far_down_spoils_a_look() -> None:
    """The whole of it must be there, and never under 70 % of its mean."""
    ring = KPA + BEAT
    ring[70] = np.nan
    seen = look(parlor(ring=ring))
    assert (seen.whole[0], seen.hanging[0], seen.still[0]) == (False, False, 0)
    for share, hangs in ((STEADY_SHARE - 0.02, False), (STEADY_SHARE + 0.02, True)):
        ring = KPA + BEAT
        ring[70] = share * KPA
        assert bool(look(parlor(ring=ring)).hanging[0]) is hangs


def test_for_how_long_a_reading_has_stood_still() -> None:
    """Counted back from the newest, within the noise of a frozen sensor; two seconds spoil the look."""
    for n in (1, STUCK - 1, STUCK, 100):
        ring = KPA + BEAT
        ring[-n:] = 40.0 + 0.5 * OWN.still_kpa * (np.arange(n) % 2)
        ring[-n - 1] = 41.0
        seen = look(parlor(ring=ring))
        assert (seen.still[0], bool(seen.hanging[0])) == (n, n < STUCK)
    assert look(parlor(ring=np.full(WIDTH, 40.0))).still[0] == WIDTH
    edge = np.full(WIDTH, 40.0)
    edge[:64] += 1.1 * OWN.still_kpa
    assert look(parlor(ring=edge)).still[0] == 64


def test_a_flow_is_known_for_three_seconds() -> None:
    """An older one, or none at all, leaves the vacuum without its flow."""
    assert look(parlor(flow_bin=AT - STALE)).flow_kg_min[0] == 2.0
    assert np.isnan(look(parlor(flow_bin=AT - STALE - 1)).flow_kg_min[0])
    assert np.isnan(look(parlor(flow_bin=-1)).flow_kg_min[0])


def test_the_zero_is_taken_off_and_a_fallen_unit_does_not_hang() -> None:
    """A sensor 0.8 kPa off is corrected; under 70 % of the usual vacuum a unit lies open."""
    state = parlor()
    state["norms"]["zero_n"], state["norms"]["zero_kpa"] = 3, 0.8
    assert look(state).kpa[0] == pytest.approx(KPA - 0.8, abs=0.1)
    for share, hangs in ((FALLEN_SHARE - 0.01, False), (FALLEN_SHARE + 0.01, True)):
        state = parlor(ring=share * KPA + BEAT)
        for _ in range(GROWN_LOOKS):
            learn_curve(state["norms"][0], 2.0, KPA)
        seen = look(state)
        assert (bool(seen.hanging[0]), seen.usual_kpa[0]) == (hangs, pytest.approx(KPA))


def test_others_stand_in_for_a_stall_that_is_new() -> None:
    """Four others that are known say what is usual; once its own is known it speaks for itself."""
    state = parlor(QUORUM + 1)
    for index in range(QUORUM + 1):
        for _ in range(BORN_LOOKS if index else GROWN_LOOKS - 1):
            learn_curve(state["norms"][index], 2.0, KPA if index else 30.0)
    assert look(state).usual_kpa[0] == pytest.approx(KPA)
    learn_curve(state["norms"][0], 2.0, 30.0)
    assert look(state).usual_kpa[0] == pytest.approx(30.0)


@pytest.mark.parametrize(
    ("off", "norms", "learns"),
    [
        (0.9 * LEARN_SHARE * OWN.level_kpa, {}, True),
        (1.1 * LEARN_SHARE * OWN.level_kpa, {}, False),
        (-1.1 * LEARN_SHARE * OWN.level_kpa, {}, False),
        (0.0, {"slow": 1}, False),
    ],
)
def test_what_is_far_off_teaches_the_curve_nothing(off: float, norms: dict[str, int], learns: bool) -> None:
    """Nor does a unit that drained slowly."""
    state = parlor()
    for name, value in norms.items():
        state["norms"][name] = value
    seen = replace(look(state), kpa=np.array([KPA + off]), usual_kpa=np.array([KPA]))
    list(judge_vacuum(seen, PARAMS))
    assert bool(state["norms"]["curve_n"][0] == 1) is learns
    assert state["norms"]["own_off"][0] == pytest.approx(off)


def test_a_round_tells_what_opened() -> None:
    """Two parkings' worth of bad verdicts open one event at its stall, and no other."""
    state = parlor(3, attached=0, off_bin=AT - REST - WIDTH)
    events = []
    for k in range(PARK_LOOKS + 3):
        at = AT + k * LOOK
        write(state, 0.0, at)
        state["raw"][1] = 2.0
        events += look_round(look(state, at), "willowmere", PARAMS)
    (event,) = events
    assert (event.stall, event.condition, event.parlor) == (2, Condition.SENSOR_ZERO_OFF, "willowmere")
