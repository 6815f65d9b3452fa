"""Who carries the unit."""

from __future__ import annotations

import itertools

import pytest

from simulator.statics import Carrying, Cluster, holding_force_n, teat_loads_n, wrench_of

PLAIN = Cluster()
CARRIED = Carrying(arm_kg=1.0)


def test_an_arm_that_carries_the_hose_loads_all_teats_alike():
    """With the hose carried each teat bears a quarter of a 2.5 kg unit, 6.13 N."""
    assert teat_loads_n(PLAIN, CARRIED) == pytest.approx([6.13] * 4, abs=0.02)


def test_an_uncarried_hose_moves_the_weight_to_the_rear():
    """1 kg of hose 0.12 m behind the centroid leaves 3.68 N in front and puts 13.49 N on each rear teat."""
    loads = teat_loads_n(PLAIN, Carrying())
    assert loads == pytest.approx([3.68, 3.68, 13.49, 13.49], abs=0.02)
    assert (loads[2] + loads[3]) / sum(loads) == pytest.approx(0.786, abs=0.001)


def test_an_arm_may_lift_more_than_the_hose():
    """An arm that lifts the hose and half a kilogram, both at the centroid, leaves 4.90 N a teat."""
    assert teat_loads_n(Cluster(hose_behind_m=0.0), Carrying(arm_kg=1.5)) == pytest.approx(
        [4.90] * 4, abs=0.02
    )


def test_a_side_pull_loads_that_side():
    """0.6 kg at 0.05 m behind and 0.10 m to the right give 3.43, 9.32, 5.89 and 11.77 N."""
    loads = teat_loads_n(PLAIN, Carrying(arm_kg=1.0, dragged=1.0))
    assert loads == pytest.approx([3.43, 9.32, 5.89, 11.77], abs=0.02)


@pytest.mark.parametrize(
    ("arm_kg", "dragged", "folded"), list(itertools.product([0.0, 0.4, 1.0], [0.0, 1.0], [None, 0, 3]))
)
def test_the_teats_carry_exactly_the_unit(arm_kg, dragged, folded):
    """However it hangs, the loads add up to the weight that no arm carries."""
    carrying = Carrying(arm_kg, dragged, folded)
    assert sum(teat_loads_n(PLAIN, carrying)) == pytest.approx(wrench_of(PLAIN, carrying).force_n, abs=0.02)


@pytest.mark.source("common practice, no source")
@pytest.mark.parametrize(("side_m", "heavier", "lighter"), [(0.05, (1, 3), (0, 2)), (-0.05, (0, 2), (1, 3))])
def test_the_side_the_hose_pulls_to_carries_it(side_m, heavier, lighter):
    """A hose that hangs to one side loads that side, front and rear."""
    loads = teat_loads_n(Cluster(hose_side_m=side_m), Carrying())
    for heavy, light in zip(heavier, lighter, strict=True):
        assert loads[heavy] > loads[light]


@pytest.mark.source("common practice, no source")
@pytest.mark.parametrize("folded", range(4))
def test_a_cup_folded_over_the_claw_loads_its_neighbours(folded):
    """With a cup off, the two teats beside it bear the unit; the one across bears but the folded cup."""
    loads = teat_loads_n(PLAIN, Carrying(1.0, 0.0, folded))
    across = 3 - folded
    neighbours = [i for i in range(4) if i not in (folded, across)]
    assert loads[folded] == 0.0
    assert all(loads[i] > 1.5 * 6.13 for i in neighbours)
    assert loads[across] == pytest.approx(PLAIN.cup_kg * 9.81, abs=0.01)


def test_no_cup_ever_pushes_its_teat_up():
    """A heavy hose far behind would lift the front cups; they bear nothing instead."""
    loads = teat_loads_n(Cluster(hose_kg=3.0), Carrying())
    assert min(loads) == 0.0
    assert loads[0] == loads[1] == 0.0


def test_vacuum_holds_a_teat_with_fifteen_newtons():
    """A 22 mm teat is held with 15.2 N at 40 kPa."""
    assert holding_force_n(40.0, 22.0) == pytest.approx(15.2, abs=0.05)
