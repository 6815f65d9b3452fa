"""Each judge alone: stalls whose norms and newest looks are written by hand."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pytest

from detect.beat import WIDTH
from detect.condition import LOOK, Look, judge_draining, judge_pulsation, judge_vacuum
from detect.episode import Finding, Verdict
from detect.kinds import Condition
from detect.params import BIN_S, DetectorParams
from detect.state import new_stalls

PARAMS = DetectorParams()
USUAL_KPA = 42.0
LEVEL = PARAMS.condition.level_kpa
T_S = np.arange(WIDTH) * BIN_S


@dataclass
class Row:
    """Some stalls that hang and milk, looked at again and again."""

    stalls: int
    state: Any = field(init=False)
    bin: int = 20_000

    def __post_init__(self) -> None:
        self.state = new_stalls(self.stalls)
        self.state["on_bin"] = 100
        self.state["norms"]["own_bin"] = 100

    def look(self, *, kpa: Any = USUAL_KPA, flow: float = 2.0, ring: Any = None) -> Look:
        """Return the next look: everything known and whole, at one vacuum and flow."""
        self.bin += LOOK
        n = self.stalls
        every = np.ones(n, bool)
        rings = np.tile(np.full(WIDTH, USUAL_KPA) if ring is None else ring, (n, 1))
        levels = np.broadcast_to(np.asarray(kpa, float), n).copy()
        return Look(
            self.state,
            self.bin,
            rings,
            known=every,
            still=np.zeros(n, np.int64),
            whole=every,
            hanging=every,
            sensed_kpa=(levels, np.zeros(n)),
            kpa=levels,
            flow_kg_min=np.full(n, flow),
            usual_kpa=np.full(n, USUAL_KPA),
        )


def drained(row: Row, rate: float) -> None:
    """Let every unit come off and drain at a rate [1/s]."""
    row.state["drain"]["n"] += 1
    row.state["drain"]["rate"], row.state["drain"]["quiet"] = rate, USUAL_KPA
    row.state["drain"]["bin"] = row.bin


def only(findings: list[tuple[int, Finding]]) -> Finding:
    ((_, finding),) = findings
    return finding


@pytest.mark.parametrize(
    ("off_kpa", "condition"),
    [
        (0.0, Condition.SLOW_VACUUM_DECAY),
        (2.0 * LEVEL, Condition.VENT_BLOCKED),
        (-2.0 * LEVEL, Condition.VENT_BLOCKED),
    ],
)
def test_what_drains_slowly_is_the_vent_if_the_vacuum_was_another_one(
    off_kpa: float, condition: Condition
) -> None:
    """Three times slower than usual: the vent where the claw vacuum had been off, the shut-off where not."""
    row = Row(1)
    for _ in range(3):
        drained(row, 2.4)
        assert {f.verdict for _, f in judge_draining(row.look(), PARAMS)} == {Verdict.GOOD}
    row.state["norms"]["own_n"], row.state["norms"]["own_off"] = 5, off_kpa
    row.state["norms"]["drain_n"] = 9
    drained(row, 0.8)
    finding = only(list(judge_draining(row.look(), PARAMS)))
    assert (finding.condition, finding.verdict) == (condition, Verdict.BAD)
    took_s, usual_s, inflow, usual_inflow, off = finding.figures
    assert took_s / usual_s == pytest.approx(3.0, rel=1e-6)
    assert usual_inflow / inflow == pytest.approx(3.0, rel=1e-6)
    assert off == off_kpa
    assert finding.from_bin < finding.to_bin


def test_each_take_off_is_judged_once_and_only_of_cows() -> None:
    """The same take-off says nothing at the next look, and one of an unknown stall says nothing at all."""
    row = Row(1)
    drained(row, 2.4)
    assert len(list(judge_draining(row.look(), PARAMS))) == 2
    assert list(judge_draining(row.look(), PARAMS)) == []
    drained(row, 2.4)
    unknown = replace(row.look(), known=np.zeros(1, bool))
    assert list(judge_draining(unknown, PARAMS)) == []


def judged_leaks(row: Row, kpa: Any, looks: int) -> list[tuple[int, Finding]]:
    return [finding for _ in range(looks) for finding in judge_vacuum(row.look(kpa=kpa), PARAMS)]


def test_a_leak_is_judged_once_a_milking_when_enough_was_seen() -> None:
    """Four kPa short at every look is a leak, said at the sixth look, with what was short, and not again."""
    row, looks = Row(1), PARAMS.condition.leak_looks
    assert judged_leaks(row, USUAL_KPA - 4.0, looks - 1) == []
    finding = only(judged_leaks(row, USUAL_KPA - 4.0, 3))
    assert (finding.condition, finding.verdict) == (Condition.STEADY_LEAK, Verdict.BAD)
    air, short, flow = finding.figures
    assert air > PARAMS.condition.leak_l_min
    assert (short, flow) == (pytest.approx(4.0), pytest.approx(2.0))
    row.state["on_bin"] += 5_000  # the next cow
    assert only(judged_leaks(row, USUAL_KPA, 3 * looks)).verdict is Verdict.GOOD


def test_the_mean_of_a_milking_decides_about_a_leak() -> None:
    """Looks above and below the usual vacuum cancel out; only what is short on the whole is a leak."""
    row, looks = Row(1), PARAMS.condition.leak_looks
    findings = [
        finding
        for k in range(looks)
        for finding in judge_vacuum(row.look(kpa=USUAL_KPA + (3.0 if k % 2 else -3.0)), PARAMS)
    ]
    assert only(findings).verdict is Verdict.GOOD


def test_a_unit_that_drained_slowly_has_no_leak() -> None:
    """More air would drain it faster, so a short vacuum there is for want of air."""
    row = Row(1)
    row.state["norms"]["slow"] = 1
    assert only(judged_leaks(row, USUAL_KPA - 4.0, 9)).verdict is Verdict.GOOD


def test_what_all_claws_lack_is_the_plant_s() -> None:
    """Five units four kPa short have no leak; the one among them that is eight short has."""
    row = Row(5)
    everyone = judged_leaks(row, USUAL_KPA - 4.0, 9)
    assert {(i, f.verdict) for i, f in everyone} == {(i, Verdict.GOOD) for i in range(5)}
    row = Row(5)
    kpa = np.full(5, USUAL_KPA - 4.0)
    kpa[2] -= 4.0
    assert [i for i, f in judged_leaks(row, kpa, 9) if f.verdict is Verdict.BAD] == [2]


def beat(hz: float, kpa: float) -> Any:
    """Return six seconds of vacuum with a beat of an amplitude [kPa]."""
    return USUAL_KPA + kpa * np.sin(2.0 * np.pi * hz * T_S)


def used_to(hz: float, kpa: float) -> Row:
    """Return a stall that has learned its own beat."""
    row = Row(1)
    row.state["episode"]["bad"] = 1  # what nobody doubts is not spoken of
    for _ in range(60):
        assert [f.verdict for _, f in judge_pulsation(row.look(ring=beat(hz, kpa)), PARAMS)] == [Verdict.GOOD]
    return row


def test_a_dead_pulsator_is_found_and_does_not_become_usual() -> None:
    """A beat that has gone is bad however long it stays away; the usual figures stay what they were."""
    row = used_to(1.0, 1.2)
    for _ in range(100):
        finding = only(list(judge_pulsation(row.look(ring=beat(1.0, 0.02)), PARAMS)))
        assert (finding.condition, finding.verdict) == (Condition.PULSATION_OFF, Verdict.BAD)
    here, usual_kpa, elsewhere, usual_a_minute = finding.figures
    assert here < 0.1 * usual_kpa
    assert (elsewhere, usual_a_minute) == (0.0, pytest.approx(60.0, abs=1.0))


def test_another_rate_is_told_when_it_is_the_same_twice() -> None:
    """Where something of the usual beat is left, 78 beats a minute for 60 are told at the second look."""
    row = used_to(1.0, 1.2)
    both = beat(1.0, 0.5) + beat(1.3, 1.2) - USUAL_KPA
    looks = [list(judge_pulsation(row.look(ring=both), PARAMS)) for _ in range(2)]
    assert looks[0] == []
    finding = only(looks[1])
    assert finding.verdict is Verdict.BAD
    assert finding.figures[2] == pytest.approx(78.0, abs=2.0)


@pytest.mark.parametrize("multiple", [0.5, 2.0])
def test_half_and_double_the_rate_are_the_same_pulsator(multiple: float) -> None:
    """Alternating pulsation shows its double, a limping one its half: neither is another rate."""
    row = used_to(1.0, 1.2)
    mixed = beat(1.0, 0.8) + beat(multiple, 1.0) - USUAL_KPA
    assert only(list(judge_pulsation(row.look(ring=mixed), PARAMS))).verdict is Verdict.GOOD
