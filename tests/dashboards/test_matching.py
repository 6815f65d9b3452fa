"""Found spells are paired with true ones fairly."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import linear_sum_assignment

from dashboards.matching import NS_PER_S, best_partners, pair


@dataclass(frozen=True)
class Spell:
    """A spell in seconds."""

    stall: int
    start_ns: int
    end_ns: int
    parlor: str = "p"


def spell(start_s: float, end_s: float, stall: int = 1) -> Spell:
    return Spell(stall, round(start_s * NS_PER_S), round(end_s * NS_PER_S))


def test_the_nearest_onset_wins() -> None:
    """Of two found spells in one true one, the one with the nearer onset is its match, the other a repeat."""
    pairs = pair([spell(10, 14)], [spell(12, 13), spell(10.1, 11)], tolerance_s=1)
    assert (pairs.matched, pairs.repeats, pairs.false, pairs.missed) == (((0, 1),), (0,), (), ())


def test_another_stall_never_matches() -> None:
    """The same instant at the next stall is a miss and a false one."""
    pairs = pair([spell(10, 11, 1)], [spell(10, 11, 2)], tolerance_s=1)
    assert (pairs.matched, pairs.false, pairs.missed) == ((), (0,), (0,))


def test_tolerance_is_the_edge() -> None:
    """A spell just inside the tolerance matches, one just outside does not."""
    assert pair([spell(10, 11)], [spell(12, 13)], tolerance_s=1).matched == ((0, 0),)
    assert pair([spell(10, 11)], [spell(12.001, 13)], tolerance_s=1).matched == ()


def test_no_pair_is_lost_to_a_nearer_onset() -> None:
    """Where the nearest onset would leave another true spell without its only find, both are paired."""
    truth = [spell(10, 12), spell(12.5, 13)]
    found = [spell(12.4, 13), spell(13.9, 14)]
    assert pair(truth, found, tolerance_s=1).matched == ((0, 0), (1, 1))


costs = st.integers(1, 7).flatmap(
    lambda width: st.lists(
        st.dictionaries(st.integers(0, width - 1), st.integers(0, 9), max_size=width), max_size=7
    )
)


@pytest.mark.source("scipy.optimize.linear_sum_assignment: the assignment problem")
@given(rows=costs)
def test_the_pairing_is_the_best_of_all(rows: list[dict[int, int]]) -> None:
    """As many pairs, and the same least cost, as the library's solver with dear places to stay alone."""
    found = best_partners(dict(enumerate(rows)))
    assert len(set(found.values())) == len(found)
    forbidden, alone = 10**6, 10**3
    table = np.full((len(rows), 7 + len(rows)), forbidden)
    for i, row in enumerate(rows):
        table[i, 7 + i] = alone
        for j, cost in row.items():
            table[i, j] = cost
    left, right = linear_sum_assignment(table)
    best = int(table[left, right].sum())
    ours = sum(rows[i][j] for i, j in found.items()) + alone * (len(rows) - len(found))
    assert ours == best


spells = st.lists(
    st.builds(
        lambda stall, start, length: spell(start, start + length, stall),
        st.integers(1, 3),
        st.integers(0, 60),
        st.integers(0, 9),
    ),
    max_size=12,
)


@given(truth=spells, found=spells)
def test_every_spell_is_counted_exactly_once(truth: list[Spell], found: list[Spell]) -> None:
    """Matched, missed, repeated and false spells partition both sides; no spell is used twice."""
    pairs = pair(truth, found, tolerance_s=1)
    assert sorted([i for i, _ in pairs.matched] + list(pairs.missed)) == list(range(len(truth)))
    assert sorted([j for _, j in pairs.matched] + list(pairs.repeats) + list(pairs.false)) == list(
        range(len(found))
    )
    assert all(truth[i].stall == found[j].stall for i, j in pairs.matched)


@given(truth=spells, found=spells)
def test_false_ones_touch_no_true_one_at_all(truth: list[Spell], found: list[Spell]) -> None:
    """Compared with every true spell of the stall one by one, the false ones are those that touch none."""
    second = NS_PER_S

    def touch(one: Spell, other: Spell) -> bool:
        apart = max(one.start_ns, other.start_ns) - min(one.end_ns, other.end_ns)
        return one.stall == other.stall and apart <= second

    false = tuple(j for j, spell in enumerate(found) if not any(touch(spell, true) for true in truth))
    assert pair(truth, found, tolerance_s=1).false == false


@given(truth=spells)
def test_a_perfect_finder_is_matched_perfectly(truth: list[Spell]) -> None:
    """Truth against itself leaves nothing missed and nothing false."""
    pairs = pair(truth, truth, tolerance_s=0)
    assert len(pairs.matched) == len(truth)
