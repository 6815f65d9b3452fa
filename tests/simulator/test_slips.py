"""The slip law and the sizes of gaps."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from simulator.air import free_air_l_min
from simulator.slips import Cause, SlipLaw, draw_cause, draw_openings

LAW = SlipLaw()


def test_a_slip_becomes_likelier_with_every_newton():
    """The probability is logistic in the margin: log odds rise by the slope for each newton."""
    odds = [p / (1.0 - p) for p in map(LAW.probability, (-10.0, -9.0, 0.0, 1.0))]
    assert odds[1] / odds[0] == pytest.approx(np.exp(LAW.per_newton))
    assert odds[3] / odds[2] == pytest.approx(np.exp(LAW.per_newton))


def test_a_dry_teat_holds_worse_than_a_wet_one():
    """The holding share rises from the dry share towards one with the quarter's flow."""
    shares = [LAW.hold_share(flow) for flow in (0.0, 0.1, 0.5, 1.2)]
    assert shares[0] == LAW.dry_hold
    assert all(b > a for a, b in itertools.pairwise(shares))
    assert shares[-1] < 1.0


def test_the_cause_follows_the_odds_each_force_added():
    """A force that multiplies the odds by three explains two thirds of the slips; the rest stay unknown."""
    rng = np.random.default_rng(5)
    force = np.log(3.0) / LAW.per_newton
    causes = [draw_cause({Cause.QUARTER_DRY: force, Cause.COW: 0.0}, LAW, rng) for _ in range(6000)]
    assert causes.count(Cause.QUARTER_DRY) / 6000 == pytest.approx(2.0 / 3.0, abs=0.02)
    assert causes.count(Cause.COW) == 0
    assert causes.count(Cause.UNKNOWN) / 6000 == pytest.approx(1.0 / 3.0, abs=0.02)


def test_openings_stay_within_the_sizes_of_a_slip():
    """Single openings last 0.08 to 3 s and pass at most about 250 L/min; trains follow in order."""
    rng = np.random.default_rng(6)
    law = SlipLaw(flutter_share=0.0)
    slips = [draw_openings(10.0, law, rng) for _ in range(3000)]
    lengths = [o.end_s - o.start_s for slip in slips for o in slip]
    assert min(lengths) >= 0.079
    assert max(lengths) <= 3.001
    assert max(free_air_l_min(o.area_mm2, 58.0, 101.325) for slip in slips for o in slip) <= 280.0
    for slip in slips:
        assert all(b.start_s > a.end_s for a, b in itertools.pairwise(slip))


def test_about_a_third_of_slips_are_trains():
    """With a train share of 0.35 that part of the slips has more than one opening."""
    rng = np.random.default_rng(7)
    law = SlipLaw(flutter_share=0.0)
    trains = np.mean([len(draw_openings(0.0, law, rng)) > 1 for _ in range(3000)])
    assert trains == pytest.approx(0.35, abs=0.03)


def test_a_fluttering_slip_opens_several_times_a_second():
    """A flutter has at least four openings, three to eight a second."""
    rng = np.random.default_rng(8)
    for _ in range(200):
        slip = draw_openings(0.0, SlipLaw(flutter_share=1.0), rng)
        gaps = np.diff([o.start_s for o in slip])
        assert len(slip) >= 4
        assert 0.1 < gaps.min() <= gaps.max() < 0.36
