"""The herd: quarters, parity, kick-off."""

from __future__ import annotations

from itertools import islice

import numpy as np
import pytest

from simulator.herd import (
    MILKINGS_PER_DAY,
    Herd,
    kick_off_per_day,
    kick_off_per_milking,
    make_herd,
    queue_of,
    udder_of,
)


@pytest.mark.source("Beltsville quarter milker, 198 Holsteins: rear minus front quarter +0.78 kg")
def test_a_rear_quarter_gives_three_quarters_of_a_kilogram_more_than_a_front_one():
    """Rear minus front quarter averages 0.78 +- 0.3 kg, and the shares of the quarters add up to one."""
    rng = np.random.default_rng(11)
    herd = Herd(cows=600, weak_quarter_share=0.0)
    yields = np.array(
        [[q.yield_kg for q in udder_of(cow, herd, rng).quarters] for cow in make_herd(herd, rng)]
    )
    difference = yields[:, 2:].mean() - yields[:, :2].mean()
    assert difference == pytest.approx(0.78, abs=0.3)
    shares = yields / yields.sum(axis=1, keepdims=True)
    assert shares.sum(axis=1) == pytest.approx(np.ones(600))
    assert shares[:, 2:].sum(axis=1).mean() == pytest.approx(0.57, abs=0.02)


@pytest.mark.source("Kness et al., 869 cows, 60-unit rotary: kick-off a day by parity and days in milk")
@pytest.mark.parametrize(("dim", "per_day"), [(3, 0.10), (15, 0.20)])
def test_first_calf_cows_kick_off_as_in_the_rotary_study(dim, per_day):
    """First-calf cows kick off on 0.10 of days at 3 days in milk and 0.20 near 15."""
    assert kick_off_per_day(1, dim) == pytest.approx(per_day, abs=0.04)


@pytest.mark.source("Kness et al., 869 cows, 60-unit rotary: above older cows to 90 days")
def test_first_calf_cows_kick_off_more_than_older_cows_until_ninety_days():
    """Up to 90 days in milk first-calf cows stay above older ones, and the peak lies near 15 days."""
    days = range(3, 91)
    assert all(kick_off_per_day(1, dim) > kick_off_per_day(2, dim) for dim in days)
    assert max(days, key=lambda dim: kick_off_per_day(1, dim)) == 15


def test_the_milkings_of_a_day_make_the_day():
    """Independent milkings with the per-milking chance give the daily chance back."""
    quiet = (1.0 - kick_off_per_milking(1, 15)) ** MILKINGS_PER_DAY
    assert 1.0 - quiet == pytest.approx(kick_off_per_day(1, 15))


def test_the_herd_is_made_up_as_asked():
    """Numbers, share of first-calf cows and groups in milking order come out."""
    cows = make_herd(Herd(cows=1000, heifer_share=0.3), np.random.default_rng(3))
    assert len({cow.name for cow in cows}) == 1000
    assert np.mean([cow.parity == 1 for cow in cows]) == pytest.approx(0.3, abs=0.05)
    groups = [cow.group for cow in cows]
    assert groups == sorted(groups)
    assert {cow.group for cow in cows if cow.parity == 1} == {"first-calf"}


def test_the_queue_begins_again():
    """After the last cow the first comes again."""
    cows = make_herd(Herd(cows=3), np.random.default_rng(3))
    assert [cow.name for cow in islice(queue_of(cows), 7)] == [cows[i % 3].name for i in range(7)]
