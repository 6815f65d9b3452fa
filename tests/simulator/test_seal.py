"""What practitioners say about slips holds in the simulator: nobody measured it, so no source is named."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import numpy as np
import pytest

from simulator.seal import Seal, Situation
from simulator.slips import Cause, SlipLaw
from simulator.statics import Carrying, Cluster

PEAK_KG_MIN = [0.9, 0.9, 1.1, 1.1]
CARRIED = Carrying(arm_kg=1.0)
PULSATIONS = 30_000


def _situation(carrying: Carrying, *, claw_kpa: float = 41.0) -> Situation:
    return Situation(carrying, PEAK_KG_MIN, claw_kpa, 44.0)


def _slips(seal: Seal, situation: Situation, seed: int) -> list:
    rng = np.random.default_rng(seed)
    drawn = (seal.draw(situation, rng) for _ in range(PULSATIONS))
    return [slip for slip in drawn if slip is not None]


@pytest.fixture
def seal() -> Seal:
    """Return a unit of the usual weight under 44 kPa."""
    return Seal(Cluster(), SlipLaw(), 44.0)


@pytest.mark.source("common practice, no source")
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_carried_units_slip_hardly_ever_but_not_never(seal, seed):
    """Over 30 000 pulsations (100 milkings) carried units slip a few times, uncarried ones constantly."""
    carried = len(_slips(seal, _situation(CARRIED), seed))
    hanging = len(_slips(seal, _situation(Carrying()), seed))
    assert carried >= 1
    assert carried < 0.05 * hanging


@pytest.mark.source("common practice, no source")
@pytest.mark.parametrize(("side_m", "side"), [(0.04, (1, 3)), (-0.04, (0, 2))])
def test_quarters_on_the_side_of_the_hose_slip_more(side_m, side):
    """A hose that pulls to one side makes that side slip, the rear quarter most."""
    seal = Seal(Cluster(hose_side_m=side_m), SlipLaw(), 44.0)
    by_quarter = Counter(slip.quarter for slip in _slips(seal, _situation(Carrying()), 4))
    own, other = sum(by_quarter[q] for q in side), sum(by_quarter[q] for q in range(4) if q not in side)
    assert own > 3 * other
    assert by_quarter[side[1]] > by_quarter[side[0]]


@pytest.mark.source("common practice, no source")
@pytest.mark.parametrize("folded", range(4))
def test_the_neighbour_of_a_folded_cup_is_next_to_slip(seal, folded):
    """With a cup folded over the claw the two cups beside it slip, not the one across, and never itself."""
    slips = _slips(seal, _situation(Carrying(1.0, 0.0, folded)), 5)
    by_quarter = Counter(slip.quarter for slip in slips)
    neighbours = [q for q in range(4) if q not in (folded, 3 - folded)]
    assert by_quarter[folded] == 0
    assert sum(by_quarter[q] for q in neighbours) > 5 * max(1, by_quarter[3 - folded])
    assert len(slips) > len(_slips(seal, _situation(CARRIED), 5))


@pytest.mark.source("common practice, no source")
def test_a_weightless_unit_never_slips_by_weight():
    """Without weight in claw and hose no slip has the weight as its cause, carried or not."""
    seal = Seal(Cluster(weight_kg=0.0, hose_kg=0.0, cup_kg=0.0, drag_kg=0.0), SlipLaw(base=-1.0), 44.0)
    slips = _slips(seal, _situation(Carrying()), 6)
    assert slips
    assert not [slip for slip in slips if slip.cause is Cause.WEIGHT_NOT_CARRIED]
    assert seal.loads_n(Carrying()) == (0.0, 0.0, 0.0, 0.0)


@pytest.mark.source("Spencer & Rogers, J Dairy Sci 74:429-432 (1991): slips increase at lower vacuum")
def test_low_vacuum_makes_uncarried_units_slip_more(seal):
    """At 30 kPa an uncarried unit slips far more than at 41 kPa."""
    low, full = (len(_slips(seal, _situation(Carrying(), claw_kpa=v), 7)) for v in (30.0, 41.0))
    assert low > 4 * full


@pytest.mark.source(
    "Technote 6, Countdown, Australia (2010): slips come when too little milk swells the teat"
)
def test_a_dry_quarter_slips_and_is_named_as_the_cause(seal):
    """In a carried unit the quarter that ran dry slips most, because it is dry."""
    dry = replace(_situation(CARRIED), flows_kg_min=[0.9, 0.9, 0.0, 1.1])
    slips = _slips(seal, dry, 8)
    assert Counter(slip.quarter for slip in slips).most_common(1)[0][0] == 2
    assert Counter(slip.cause for slip in slips).most_common(1)[0][0] is Cause.QUARTER_DRY


@pytest.mark.parametrize(
    ("changed", "cause"),
    [
        ({"fault_n": 5.0}, Cause.STALL_FAULT),
        ({"cow_n": 6.0}, Cause.COW),
        ({"plant_kpa": 30.0, "claw_kpa": 27.0}, Cause.LOW_PLANT_VACUUM),
        ({"carrying": Carrying()}, Cause.WEIGHT_NOT_CARRIED),
    ],
)
def test_what_loosens_the_cups_is_the_cause(seal, changed, cause):
    """A bad liner, a restless cow, low plant vacuum and an uncarried hose each become the commonest cause."""
    slips = _slips(seal, replace(_situation(CARRIED), **changed), 9)
    assert Counter(slip.cause for slip in slips).most_common(1)[0][0] is cause
