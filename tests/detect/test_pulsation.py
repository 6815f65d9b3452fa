"""How much of the usual beat must be left, and when another one is told."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from detect.condition import LOOK, judge_pulsation
from detect.episode import Finding, Verdict
from detect.norms import GROWN_LOOKS
from detect.pulsation import (
    BEATS,
    FAINT_SHARE,
    OTHER_SHARE,
)
from tests.detect.looked import AT, KPA, OWN, PARAMS, T_S, look, parlor


def pulsing(ring: Any, **norms: Any) -> tuple[Any, list[Finding]]:
    """Return a stall that is used to 1.2 kPa at 1 Hz after a look at another beat, and what is said."""
    state = parlor(ring=KPA + ring)
    state["episode"]["bad"] = 1
    for name, value in (
        {"beat_n": GROWN_LOOKS, "beat_hz": 1.0, "beat_kpa": 1.2, "last_hz": 0.0} | norms
    ).items():
        state["norms"][name] = value
    return state, [finding for _, finding in judge_pulsation(look(state), PARAMS)]


def test_a_beat_that_nobody_doubted_is_not_spoken_of() -> None:
    """A good verdict only ends a suspicion or an episode; it teaches the norm all the same."""
    state, said = pulsing(beat(1.0, 1.2))
    assert [f.verdict for f in said] == [Verdict.GOOD]
    for doubted, standing, verdicts in ((0, 0, []), (0, 1, [Verdict.GOOD])):
        state["episode"]["bad"], state["episode"]["open"] = doubted, standing
        assert [f.verdict for _, f in judge_pulsation(look(state), PARAMS)] == verdicts
    assert state["norms"]["beat_n"][0] == GROWN_LOOKS + 3


def beat(hz: float, kpa: float) -> Any:
    """Return a beat."""
    return kpa * np.sin(2.0 * np.pi * hz * T_S)


@pytest.mark.parametrize(
    ("share", "verdicts"),
    [
        (0.9 * OWN.beat_share, [Verdict.BAD]),
        (1.1 * OWN.beat_share, []),
        (0.93 * OWN.beat_fine_share, []),
        (1.1 * OWN.beat_fine_share, [Verdict.GOOD]),
    ],
)
def test_how_much_of_the_usual_beat_must_be_left(share: float, verdicts: list[Verdict]) -> None:
    """Under the one share it is gone, over the other it is there; in between nobody is sure."""
    state, said = pulsing(beat(1.0, 1.2 * share))
    assert [f.verdict for f in said] == verdicts
    assert state["norms"]["beat_n"][0] == GROWN_LOOKS + (verdicts == [Verdict.GOOD])
    assert [(f.from_bin, f.to_bin) for f in said] == [(AT - LOOK, AT)] * len(said)


def test_a_usual_beat_next_to_nothing_tells_nothing() -> None:
    """Where even the usual swing is under 0.2 kPa a dead pulsator cannot be told."""
    for usual_kpa, bad in ((1.01 * OWN.beat_least_kpa, True), (0.99 * OWN.beat_least_kpa, False)):
        said = pulsing(beat(3.3, 0.08), beat_kpa=usual_kpa)[1]
        assert [f.verdict for f in said] == ([Verdict.BAD] if bad else [])


def test_another_rate_needs_a_beat_of_its_own_twice() -> None:
    """A strong one elsewhere, seen before; a faint one, or beside a usual one nearly as strong, is none."""
    other = beat(1.3, 1.2) + beat(1.0, 0.5)
    assert [f.verdict for f in pulsing(other, last_hz=1.3)[1]] == [Verdict.BAD]
    assert pulsing(other, last_hz=1.5)[1] == []
    state, _ = pulsing(other)
    assert state["norms"]["last_hz"][0] == pytest.approx(1.3, abs=0.03)
    weak = pulsing(beat(1.3, 0.9 * FAINT_SHARE * 1.2) + beat(1.0, 0.4), last_hz=1.3)[1]
    assert [f.verdict for f in weak] == [Verdict.GOOD]
    beside = beat(1.3, 1.2) + beat(1.0, 1.1 * OTHER_SHARE * 1.2)
    assert [f.verdict for f in pulsing(beside, last_hz=1.3)[1]] == [Verdict.GOOD]


def test_a_stall_half_known_is_held_against_itself_and_learns() -> None:
    """Fifteen looks are enough where no others are known; the norm is a mean of thirty looks."""
    bad = [f.verdict for f in pulsing(beat(1.0, 0.05), beat_n=BEATS // 2)[1]]
    assert bad == [Verdict.BAD]
    young = [f.verdict for f in pulsing(beat(1.0, 0.05), beat_n=BEATS // 2 - 1)[1]]
    assert young == [Verdict.GOOD]
    state, _ = pulsing(beat(1.0, 0.6))
    assert state["norms"]["beat_kpa"][0] == pytest.approx(1.2 - 0.6 / BEATS, abs=0.003)
    state, _ = pulsing(beat(1.05, 1.2))
    assert state["norms"]["beat_hz"][0] == pytest.approx(1.0 + 0.05 / BEATS, abs=0.001)
    double, _ = pulsing(beat(2.0, 1.2))
    assert double["norms"]["beat_hz"][0] == 1.0
    first, _ = pulsing(beat(1.1, 0.9), beat_n=0, beat_hz=0.0, beat_kpa=0.0)
    assert (first["norms"]["beat_hz"][0], first["norms"]["beat_kpa"][0]) == (
        pytest.approx(1.1, abs=0.03),
        pytest.approx(0.9, rel=0.06),
    )
