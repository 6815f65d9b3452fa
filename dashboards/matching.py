"""Pairing of what was found with what truly happened: one to one, stall by stall, nearest onset first."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
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
    """Match found spells to true ones greedily, nearest onsets first.

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
    by_onset = sorted(touching, key=lambda ij: (abs(found[ij[1]].start_ns - truth[ij[0]].start_ns), ij))
    truth_taken: dict[int, int] = {}
    found_taken: set[int] = set()
    for i, j in by_onset:
        if i not in truth_taken and j not in found_taken:
            truth_taken[i] = j
            found_taken.add(j)
    touched = {j for _, j in touching}
    return Pairs(
        matched=tuple(sorted(truth_taken.items())),
        repeats=tuple(sorted(touched - found_taken)),
        false=tuple(j for j in range(len(found)) if j not in touched),
        missed=tuple(i for i in range(len(truth)) if i not in truth_taken),
    )


def _touching(truth: Sequence[Spell], found: Sequence[Spell], tolerance_ns: int) -> list[tuple[int, int]]:
    places: dict[tuple[str, int], list[int]] = defaultdict(list)
    for j, spell in enumerate(found):
        places[spell.parlor, spell.stall].append(j)
    return [
        (i, j)
        for i, spell in enumerate(truth)
        for j in places[spell.parlor, spell.stall]
        if found[j].start_ns - tolerance_ns <= spell.end_ns
        and spell.start_ns <= found[j].end_ns + tolerance_ns
    ]
