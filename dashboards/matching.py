"""Pairing of what was found with what truly happened: one to one, stall by stall, the best pairing of all.

Two spells of one stall *touch* when they overlap or lie at most the tolerance apart. Among the pairings of
touching spells the one with the most pairs is taken, and among those the one whose onsets lie nearest in
sum. What touches a true spell already taken by another is a *repeat*; what touches none is *false*. The size
of the true spell plays no part: a find that meets a tiny true spell is a match, never false.
"""

from __future__ import annotations

from bisect import bisect_left
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

NS_PER_S = 1_000_000_000


class Spell(Protocol):
    """Something with a beginning and an end at one stall of one parlor."""

    @property
    def parlor(self) -> str:
        """Slug of the parlor."""

    @property
    def stall(self) -> int:
        """Number of the stall; 0 is the plant."""

    @property
    def start_ns(self) -> int:
        """First instant [ns since 1970 UTC]."""

    @property
    def end_ns(self) -> int:
        """Last instant [ns since 1970 UTC]."""


@dataclass(frozen=True, slots=True)
class Pairs:
    """Who belongs to whom.

    ``matched`` holds (truth index, found index) in truth order; ``repeats`` the found ones that touch a truth
    already taken by another; ``false`` the found ones that touch none; ``missed`` the truths left alone.
    """

    matched: tuple[tuple[int, int], ...]
    repeats: tuple[int, ...]
    false: tuple[int, ...]
    missed: tuple[int, ...]


def pair(truth: Sequence[Spell], found: Sequence[Spell], *, tolerance_s: float) -> Pairs:
    """Match found spells to true ones: as many pairs as can be, then onsets as near as can be.

    Parameters
    ----------
    truth, found:
        Spells in any order.
    tolerance_s:
        Two spells touch if they overlap or lie at most so far apart [s].

    Returns
    -------
    Pairs
        Every index of both sequences exactly once (``matched`` covers one of each).
    """
    touching = _touching(truth, found, round(tolerance_s * NS_PER_S))
    cost_ns = {
        i: {j: abs(found[j].start_ns - truth[i].start_ns) for j in partners}
        for i, partners in touching.items()
    }
    partner = best_partners(cost_ns)
    taken = set(partner.values())
    touched = {j for partners in touching.values() for j in partners}
    return Pairs(
        matched=tuple(sorted(partner.items())),
        repeats=tuple(sorted(touched - taken)),
        false=tuple(j for j in range(len(found)) if j not in touched),
        missed=tuple(i for i in range(len(truth)) if i not in partner),
    )


def best_partners(cost: Mapping[int, Mapping[int, int]]) -> dict[int, int]:
    """Return the pairing with the most pairs and, among those, the least summed cost.

    Parameters
    ----------
    cost:
        For each left index the right indices it may take, each with a cost >= 0. Integers, so that sums are
        exact.

    Returns
    -------
    dict
        Right index by left index; left ones that stay alone are left out.

    Notes
    -----
    Left indices are let in one by one, each along the cheapest chain of displacements (the assignment problem
    by shortest augmenting paths). To stay alone costs more than any chain, so the number of pairs goes first.
    """
    alone = 1 + sum(sum(row.values()) for row in cost.values())
    owner: dict[int, int] = {}
    for newcomer in cost:
        _let_in(newcomer, cost, owner, alone)
    return {left: right for right, left in owner.items()}


def _let_in(newcomer: int, cost: Mapping[int, Mapping[int, int]], owner: dict[int, int], alone: int) -> None:
    """Give the newcomer a place by the cheapest chain of displacements, which ends free or alone."""
    spent = {newcomer: 0}
    displaced_by: dict[int, tuple[int, int]] = {}
    best, last, right = alone, newcomer, None
    waiting = [newcomer]
    while waiting:
        left = waiting.pop(0)
        if spent[left] + alone < best:
            best, last, right = spent[left] + alone, left, None
        for j, price in cost[left].items():
            other, total = owner.get(j), spent[left] + price
            if other is None:
                if total < best:
                    best, last, right = total, left, j
            elif other != left and (other not in spent or total - cost[other][j] < spent[other]):
                spent[other], displaced_by[other] = total - cost[other][j], (left, j)
                waiting.append(other)
    if right is not None:
        owner[right] = last
    while last != newcomer:
        last, right = displaced_by[last]
        owner[right] = last


def _touching(truth: Sequence[Spell], found: Sequence[Spell], tolerance_ns: int) -> dict[int, list[int]]:
    """Return for each true spell the found ones it touches; only those that can reach it are looked at."""
    places: dict[tuple[str, int], list[tuple[int, int]]] = defaultdict(list)
    longest: dict[tuple[str, int], int] = defaultdict(int)
    for j, spell in enumerate(found):
        place = spell.parlor, spell.stall
        places[place].append((spell.start_ns, j))
        longest[place] = max(longest[place], spell.end_ns - spell.start_ns)
    for starts in places.values():
        starts.sort()
    touching = {}
    for i, spell in enumerate(truth):
        place = spell.parlor, spell.stall
        starts = places.get(place, [])
        first = bisect_left(starts, (spell.start_ns - tolerance_ns - longest[place], 0))
        last = bisect_left(starts, (spell.end_ns + tolerance_ns + 1, 0))
        near = (j for _, j in starts[first:last])
        touching[i] = [j for j in near if spell.start_ns <= found[j].end_ns + tolerance_ns]
    return touching
