"""How well the history agrees with a ground truth: pure figures, no files.

Every ratio is None when its denominator is zero: a figure the data cannot carry is not invented.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np

from dashboards.matching import NS_PER_S, Pairs, Spell, pair
from detect.kinds import AirKind

EVENT_TOLERANCE_S: Final = 1.0
"""Two air events touch within this [s]; engineering choice: two frames of the norm."""
SUPPORT_TOLERANCE_S: Final = 5.0
"""Two support spells touch within this [s]; engineering choice."""
PLANT_TOLERANCE_S: Final = 2.0
"""Two dips of the plant touch within this [s]; engineering choice."""
MILKING_TOLERANCE_S: Final = 15.0
"""Both ends of a milking must agree within this [s] to count as found."""
RELEVANT_KPA: Final = 2.0
"""Truth at least this deep [kPa] makes up the headline recall."""
DEPTH_EDGES_KPA: Final = (0.0, 1.0, 2.0, 4.0, 8.0, 16.0, float("inf"))
LITRE_EDGES_L: Final = (0.0, 0.05, 0.1, 0.15, 0.3, 0.6, 1.2, float("inf"))


@dataclass(frozen=True, slots=True)
class AirSpell:
    """One true or found air event; ``detected_ns`` is None in the truth."""

    parlor: str
    stall: int
    start_ns: int
    end_ns: int
    kind: str
    depth_kpa: float
    air_l: float
    cause: str
    detected_ns: int | None = None


@dataclass(frozen=True, slots=True)
class MilkingSpell:
    """One true or found milking."""

    parlor: str
    stall: int
    start_ns: int
    end_ns: int
    yield_kg: float


@dataclass(frozen=True, slots=True)
class PlantSpell:
    """One true or found dip of the whole plant; its stall is 0."""

    parlor: str
    start_ns: int
    end_ns: int
    stall: int = 0


@dataclass(frozen=True, slots=True)
class SupportSpell:
    """One true or found stretch in which a unit was not carried; ``detected_ns`` is None in the truth."""

    parlor: str
    stall: int
    start_ns: int
    end_ns: int
    state: str
    detected_ns: int | None = None


@dataclass(frozen=True, slots=True)
class Band:
    """Recall of the true events whose size lies in [low, high)."""

    low: float
    high: float | None
    truth: int
    matched: int
    recall: float | None


@dataclass(frozen=True, slots=True)
class Counts:
    """How many there truly were, how many were found, and how they pair up."""

    truth: int
    found: int
    matched: int
    repeats: int
    false: int
    recall: float | None
    precision: float | None
    f1: float | None


@dataclass(frozen=True, slots=True)
class EventScore:
    """Agreement of air events. Times in s, ``litres_ratio`` is found over true."""

    counts: Counts
    relevant_recall: float | None
    false_per_100_milkings: float | None
    onset_error_s: dict[str, float] | None
    delay_s: dict[str, float] | None
    litres_ratio: dict[str, float] | None
    recall_by_depth_kpa: tuple[Band, ...]
    recall_by_litres: tuple[Band, ...]
    recall_by_kind: dict[str, float | None]
    kinds: dict[str, dict[str, int]]
    causes: dict[str, dict[str, int]]
    delays_s: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class MilkingScore:
    """Agreement of milkings; shares are of the true ones."""

    counts: Counts
    within_15_s: float | None
    within_5_s: float | None
    start_error_s: dict[str, float] | None
    end_error_s: dict[str, float] | None
    yield_error_ratio: dict[str, float] | None
    yield_within_5_percent: float | None


@dataclass(frozen=True, slots=True)
class SupportScore:
    """Agreement of unsupported stretches."""

    counts: Counts
    false_per_100_milkings: float | None
    delay_s: dict[str, float] | None
    states: dict[str, dict[str, int]]


@dataclass(frozen=True, slots=True)
class Record:
    """Everything of one side, the truth's or the history's, that is scored.

    ``plant`` is None when the truth does not tell.
    """

    events: tuple[AirSpell, ...]
    milkings: tuple[MilkingSpell, ...]
    support: tuple[SupportSpell, ...]
    plant: tuple[PlantSpell, ...] | None


@dataclass(frozen=True, slots=True)
class Score:
    """Agreement of a history with the truth, table by table."""

    events: EventScore
    milkings: MilkingScore
    support: SupportScore
    plant: Counts | None


def score(truth: Record, found: Record) -> Score:
    """Score a history against the truth; the true milkings are the exposure of every false rate."""
    milkings = len(truth.milkings)
    return Score(
        events=score_events(truth.events, found.events, milkings=milkings),
        milkings=score_milkings(truth.milkings, found.milkings),
        support=score_support(truth.support, found.support, milkings=milkings),
        plant=_score_plant(truth.plant, found.plant or ()),
    )


def score_events(truth: Sequence[AirSpell], found: Sequence[AirSpell], *, milkings: int) -> EventScore:
    """Score air events.

    Parameters
    ----------
    truth, found:
        True and found events, any order.
    milkings:
        True milkings, the exposure of the false rate.

    Returns
    -------
    EventScore
        Precision and the false rate count repeats as false. A found event may match a true one of
        another kind: ``kinds`` tells.
    """
    pairs = pair(truth, found, tolerance_s=EVENT_TOLERANCE_S)
    both = [(truth[i], found[j]) for i, j in pairs.matched]
    hit = {i for i, _ in pairs.matched}
    relevant = [i for i, event in enumerate(truth) if event.depth_kpa >= RELEVANT_KPA]
    delays = tuple(_seconds(f.detected_ns - t.start_ns) for t, f in both if f.detected_ns is not None)
    return EventScore(
        counts=_counts(truth, found, pairs),
        relevant_recall=_ratio(sum(i in hit for i in relevant), len(relevant)),
        false_per_100_milkings=_per_hundred(len(pairs.false) + len(pairs.repeats), milkings),
        onset_error_s=_quantiles([abs(_seconds(f.start_ns - t.start_ns)) for t, f in both], (50, 95)),
        delay_s=_quantiles(delays, (50, 95)),
        litres_ratio=_quantiles([f.air_l / t.air_l for t, f in both if t.air_l > 0.0], (10, 50, 90)),
        recall_by_depth_kpa=_bands([event.depth_kpa for event in truth], hit, DEPTH_EDGES_KPA),
        recall_by_litres=_bands([event.air_l for event in truth], hit, LITRE_EDGES_L),
        recall_by_kind=_recall_by_kind(truth, hit),
        kinds=confusion((t.kind, f.kind) for t, f in both),
        causes=confusion((t.cause, f.cause) for t, f in both),
        delays_s=delays,
    )


def score_milkings(truth: Sequence[MilkingSpell], found: Sequence[MilkingSpell]) -> MilkingScore:
    """Score milkings: found at both ends, and with which yield."""
    pairs = pair(truth, found, tolerance_s=0.0)
    both = [(truth[i], found[j]) for i, j in pairs.matched]
    starts = [abs(_seconds(f.start_ns - t.start_ns)) for t, f in both]
    ends = [abs(_seconds(f.end_ns - t.end_ns)) for t, f in both]
    worse = [max(pair_of_ends) for pair_of_ends in zip(starts, ends, strict=True)]
    yields = [abs(f.yield_kg / t.yield_kg - 1.0) for t, f in both if t.yield_kg > 0.0]
    return MilkingScore(
        counts=_counts(truth, found, pairs),
        within_15_s=_ratio(sum(error <= MILKING_TOLERANCE_S for error in worse), len(truth)),
        within_5_s=_ratio(sum(error <= 5.0 for error in worse), len(truth)),
        start_error_s=_quantiles(starts, (50, 95)),
        end_error_s=_quantiles(ends, (50, 95)),
        yield_error_ratio=_quantiles(yields, (50, 95)),
        yield_within_5_percent=_ratio(sum(error <= 0.05 for error in yields), len(truth)),
    )


def score_support(
    truth: Sequence[SupportSpell], found: Sequence[SupportSpell], *, milkings: int
) -> SupportScore:
    """Score unsupported stretches; a repeat is a second found spell within one true one."""
    pairs = pair(truth, found, tolerance_s=SUPPORT_TOLERANCE_S)
    both = [(truth[i], found[j]) for i, j in pairs.matched]
    return SupportScore(
        counts=_counts(truth, found, pairs),
        false_per_100_milkings=_per_hundred(len(pairs.false), milkings),
        delay_s=_quantiles(
            [_seconds(f.detected_ns - t.start_ns) for t, f in both if f.detected_ns is not None], (50, 95)
        ),
        states=confusion((t.state, f.state) for t, f in both),
    )


def _score_plant(truth: Sequence[PlantSpell] | None, found: Sequence[PlantSpell]) -> Counts | None:
    if truth is None:
        return None
    return _counts(truth, found, pair(truth, found, tolerance_s=PLANT_TOLERANCE_S))


def confusion(pairs: Iterable[tuple[str, str]]) -> dict[str, dict[str, int]]:
    """Count found words under the true word, both in alphabetical order."""
    table: dict[str, Counter[str]] = {}
    for true, found in sorted(pairs):
        table.setdefault(true, Counter())[found] += 1
    return {true: dict(row) for true, row in table.items()}


def _counts(truth: Sequence[Spell], found: Sequence[Spell], pairs: Pairs) -> Counts:
    matched = len(pairs.matched)
    recall, precision = _ratio(matched, len(truth)), _ratio(matched, len(found))
    total = len(truth) + len(found)
    return Counts(
        truth=len(truth),
        found=len(found),
        matched=matched,
        repeats=len(pairs.repeats),
        false=len(pairs.false),
        recall=recall,
        precision=precision,
        f1=_ratio(2 * matched, total),
    )


def _bands(sizes: Sequence[float], hit: set[int], edges: Sequence[float]) -> tuple[Band, ...]:
    bands = []
    for low, high in pairwise(edges):
        inside = [i for i, size in enumerate(sizes) if low <= size < high]
        matched = sum(i in hit for i in inside)
        upper = None if high == float("inf") else high
        bands.append(Band(low, upper, len(inside), matched, _ratio(matched, len(inside))))
    return tuple(bands)


def _recall_by_kind(truth: Sequence[AirSpell], hit: set[int]) -> dict[str, float | None]:
    indices = {kind.value: [i for i, e in enumerate(truth) if e.kind == kind] for kind in AirKind}
    return {kind: _ratio(sum(i in hit for i in those), len(those)) for kind, those in indices.items()}


def _quantiles(values: Sequence[float], percents: Sequence[int]) -> dict[str, float] | None:
    if not values:
        return None
    return {f"p{p}": float(q) for p, q in zip(percents, np.percentile(values, percents), strict=True)}


def _ratio(part: float, whole: float) -> float | None:
    return part / whole if whole else None


def _per_hundred(count: int, milkings: int) -> float | None:
    return _ratio(100.0 * count, milkings)


def _seconds(duration_ns: int) -> float:
    return duration_ns / NS_PER_S
