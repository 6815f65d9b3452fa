"""The herd: cows with parity, days in milk, group, temper, udder, and how often they kick off.

Kick-off follows 869 cows on a 60-unit rotary (Kness et al., Colorado): first-calf cows 0.10 a day at
3 days in milk, 0.20 near 15, above older cows until 90. Quarter differences follow 198 Holsteins
(Beltsville quarter milker): a rear quarter gives 0.78 kg more than a front one.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np

from simulator.udder import Quarter, Udder

MILKINGS_PER_DAY: Final = 3
"""Milkings a day in the study the kick-off law stands on."""
_HEIFER_DAYS: Final = (0.0, 3.0, 15.0, 30.0, 60.0, 90.0, 305.0)
_HEIFER_KICKS: Final = (0.08, 0.10, 0.20, 0.19, 0.12, 0.07, 0.05)
_COW_KICKS: Final = 0.045


@dataclass(frozen=True, slots=True)
class Herd:
    """Make-up of the herd (engineering choices where no source is named).

    Parameters
    ----------
    cows
        Number of cows.
    heifer_share
        Share of cows in first lactation.
    yield_kg
        Mean yield of a milking [kg].
    rear_share
        Share of the yield in the rear quarters; 0.55 to 0.60 is usual (from memory).
    front_plateau_kg_min, rear_plateau_kg_min
        Mean largest flow of one quarter [kg/min].
    bimodal_share
        Share of milkings whose let-down comes late.
    weak_quarter_share
        Share of cows with one quarter that gives little and runs dry early.
    claw_height_mm
        Scatter of the claw's height from cow to cow, standard deviation [mm].
    unread_share
        Share of cows whose tag is not read at the entry.
    """

    cows: int = 240
    heifer_share: float = 0.3
    yield_kg: float = 13.5
    rear_share: float = 0.57
    front_plateau_kg_min: float = 0.95
    rear_plateau_kg_min: float = 1.15
    bimodal_share: float = 0.2
    weak_quarter_share: float = 0.1
    claw_height_mm: float = 30.0
    unread_share: float = 0.03


@dataclass(frozen=True, slots=True)
class Cow:
    """One cow as she is on the day of the record.

    ``temper`` multiplies her restlessness, ``claw_height_mm`` is the claw's height above the mean,
    ``weak_quarter`` the index of a quarter that runs dry early.
    """

    name: str
    group: str
    parity: int
    dim: int
    temper: float
    claw_height_mm: float
    milk_factor: float
    weak_quarter: int | None


def kick_off_per_day(parity: int, dim: float) -> float:
    """Return the probability of at least one kick-off a day for a parity and days in milk."""
    if parity == 1:
        return float(np.interp(dim, _HEIFER_DAYS, _HEIFER_KICKS))
    return _COW_KICKS


def kick_off_per_milking(parity: int, dim: float) -> float:
    """Return the probability of a kick-off in one of :data:`MILKINGS_PER_DAY` milkings."""
    return float(1.0 - (1.0 - kick_off_per_day(parity, dim)) ** (1.0 / MILKINGS_PER_DAY))


def make_herd(herd: Herd, rng: np.random.Generator) -> list[Cow]:
    """Draw the herd in milking order, group by group."""
    cows = [_make_cow(herd, rng, number) for number in range(1, herd.cows + 1)]
    return sorted(cows, key=lambda cow: cow.group)


def _make_cow(herd: Herd, rng: np.random.Generator, number: int) -> Cow:
    heifer = bool(rng.random() < herd.heifer_share)
    parity = 1 if heifer else 2 + int(rng.geometric(0.45) - 1)
    dim = int(rng.integers(3, 320))
    group = "first-calf" if heifer else ("fresh" if dim < 40 else "main" if dim < 200 else "late")
    weak = int(rng.integers(0, 4)) if rng.random() < herd.weak_quarter_share else None
    return Cow(
        name=f"cow{number:04d}",
        group=group,
        parity=parity,
        dim=dim,
        temper=float(rng.lognormal(0.0, 0.7)),
        claw_height_mm=float(rng.normal(0.0, herd.claw_height_mm)),
        milk_factor=float(rng.lognormal(-0.02, 0.2))
        * (0.85 if heifer else 1.05)
        * (1.15 if dim < 150 else 0.9),
        weak_quarter=weak,
    )


def queue_of(cows: list[Cow]) -> Iterator[Cow]:
    """Yield the cows in milking order, again and again."""
    while True:
        yield from cows


def udder_of(cow: Cow, herd: Herd, rng: np.random.Generator) -> Udder:
    """Draw today's udder of a cow."""
    total = herd.yield_kg * cow.milk_factor * float(rng.lognormal(0.0, 0.12))
    quarters = []
    for index in range(4):
        rear = index > 1
        share = (herd.rear_share if rear else 1.0 - herd.rear_share) / 2.0
        plateau = herd.rear_plateau_kg_min if rear else herd.front_plateau_kg_min
        weak = 0.45 if index == cow.weak_quarter else 1.0
        quarters.append(
            Quarter(
                yield_kg=total * share * weak * float(rng.lognormal(-0.01, 0.14)),
                plateau_kg_min=plateau * float(rng.lognormal(-0.03, 0.25)),
                fade_s=float(rng.uniform(25.0, 40.0)),
            )
        )
    late = rng.random() < herd.bimodal_share
    let_down = float(rng.uniform(60.0, 90.0) if late else rng.uniform(0.0, 25.0))
    return Udder((quarters[0], quarters[1], quarters[2], quarters[3]), let_down)
