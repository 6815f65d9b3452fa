"""How the detach arm carries each unit: supported, on a slack cord, or dragged out of line."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.worlds.ranges import Ranges, draw
from tests.worlds.schedule import Visit


@dataclass(frozen=True, slots=True)
class SupportSpell:
    """A time in which the arm does not carry the unit as it should; seconds since the start."""

    stall: int
    start_s: float
    end_s: float
    state: str
    share: float


def draw_support(rng: np.random.Generator, ranges: Ranges, visits: list[Visit]) -> list[SupportSpell]:
    """Draw spells of 25 s up to the whole milking; the share of milkings concerned is the parlor's own."""
    share = draw(rng, ranges.support_share)
    spells = []
    for visit in visits:
        milking = visit.milking
        if milking is None or rng.random() >= share:
            continue
        start, stop = milking.spans[0][0] + 2.0, milking.spans[-1][1] - 1.0
        if stop - start < 30.0:
            continue
        length = stop - start
        if rng.random() < 0.65:
            length = rng.uniform(25.0, stop - start)
            start = rng.uniform(start, stop - length) if rng.random() < 0.6 else start
        slack = rng.random() < 0.7
        carried = rng.uniform(0.0, 0.25) if slack else rng.uniform(0.4, 0.8)
        spells.append(
            SupportSpell(visit.stall, start, start + length, "slack" if slack else "drag", float(carried))
        )
    return spells
