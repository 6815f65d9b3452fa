"""The score of air events."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from statistics import median
from typing import Final

from dashboards.matching import pair
from dashboards.score.causes import CauseScore, score_causes
from dashboards.score.curve import Curve, operating_curve
from dashboards.score.figures import (
    Band,
    Confusion,
    Counts,
    Quantiles,
    Rate,
    Share,
    agreement,
    bands,
    confusion,
    counts,
    quantiles,
    rate,
    seconds,
    share,
)
from dashboards.score.spells import AirSpell
from detect.kinds import AirKind, Phase

TOLERANCE_S: Final = 1.0
"""Two air events touch within this [s]; engineering choice: two frames of the norm."""
RELEVANT_KPA: Final = 2.0
"""A true event at least this deep [kPa] is worth counting on its own; its litres can be judged."""
RELEVANT_L: Final = 0.15
"""A true event of at least this much air [L] makes up the headline recall and the operating curve."""
DEPTH_EDGES_KPA: Final = (0.0, 1.0, 2.0, 4.0, 8.0, 16.0, float("inf"))
LITRE_EDGES_L: Final = (0.0, 0.05, 0.1, 0.15, 0.3, 0.6, 1.2, float("inf"))

Both = Sequence[tuple[AirSpell, AirSpell]]


@dataclass(frozen=True, slots=True)
class QuarterScore:
    """Of matched events with a true quarter: for how many one was told, and how many of those were right."""

    told: Share
    right: Share
    table: Confusion


@dataclass(frozen=True, slots=True)
class EventScore:
    """Agreement of air events.

    Times in s, errors without sign except ``onset_bias_s`` (found less true, median); ``litres_ratio`` is
    found over true, ``slip_litres_ratio`` the same for slips of 2 kPa and more. ``onset_errors_s`` holds the
    single signed errors for the picture; ``missed`` and ``wrong`` (false ones and repeats) are the spells
    themselves, for whoever asks why. ``quarters`` is None when one side tells no quarter at all.
    """

    counts: Counts
    recall_from_150_ml: Share
    recall_from_2_kpa: Share
    false_per_100_milkings: float | None
    false: Rate
    repeats: Rate
    recall_by_depth_kpa: tuple[Band, ...]
    recall_by_litres: tuple[Band, ...]
    recall_by_kind: dict[str, Share]
    recall_by_phase: dict[str, Share]
    onset_error_s: Quantiles | None
    onset_bias_s: float | None
    end_error_s: Quantiles | None
    delay_s: Quantiles | None
    delay_by_kind_s: dict[str, Quantiles | None]
    litres_ratio: Quantiles | None
    slip_litres_ratio: Quantiles | None
    kind_right: Share
    kinds: Confusion
    causes: CauseScore
    quarters: QuarterScore | None
    curve: Curve
    onset_errors_s: tuple[float, ...]
    missed: tuple[AirSpell, ...]
    wrong: tuple[AirSpell, ...]


def score_events(truth: Sequence[AirSpell], found: Sequence[AirSpell], *, milkings: int) -> EventScore:
    """Score air events.

    Parameters
    ----------
    truth, found:
        True and found events, any order.
    milkings:
        True milkings, the exposure of the rates.
    """
    pairs = pair(truth, found, tolerance_s=TOLERANCE_S)
    both = [(truth[i], found[j]) for i, j in pairs.matched]
    hit = {i for i, _ in pairs.matched}
    onsets = [seconds(f.start_ns - t.start_ns) for t, f in both]
    kinds = confusion((t.kind, f.kind) for t, f in both)
    wrong = rate(len(pairs.false) + len(pairs.repeats), milkings)
    return EventScore(
        counts=counts(pairs),
        recall_from_150_ml=_recall([_at_least(t.air_l, RELEVANT_L) for t in truth], hit),
        recall_from_2_kpa=_recall([_at_least(t.depth_kpa, RELEVANT_KPA) for t in truth], hit),
        false_per_100_milkings=wrong.per_100,
        false=rate(len(pairs.false), milkings),
        repeats=rate(len(pairs.repeats), milkings),
        recall_by_depth_kpa=bands([t.depth_kpa for t in truth], hit, DEPTH_EDGES_KPA),
        recall_by_litres=bands([t.air_l for t in truth], hit, LITRE_EDGES_L),
        recall_by_kind={kind: _recall([t.kind == kind for t in truth], hit) for kind in _kinds(truth)},
        recall_by_phase={phase: _recall([t.phase == phase for t in truth], hit) for phase in _phases(truth)},
        onset_error_s=quantiles([abs(error) for error in onsets], 50, 95),
        onset_bias_s=median(onsets) if onsets else None,
        end_error_s=quantiles([abs(seconds(f.end_ns - t.end_ns)) for t, f in both], 50, 95),
        delay_s=_delay(both),
        delay_by_kind_s={k: _delay([(t, f) for t, f in both if t.kind == k]) for k in _kinds(truth)},
        litres_ratio=_litres(both),
        slip_litres_ratio=_litres([(t, f) for t, f in both if _clear_slip(t)]),
        kind_right=agreement(kinds),
        kinds=kinds,
        causes=score_causes(both),
        quarters=_quarters(both),
        curve=operating_curve(
            truth, found, milkings=milkings, tolerance_s=TOLERANCE_S, from_litres=RELEVANT_L
        ),
        onset_errors_s=tuple(onsets),
        missed=tuple(truth[i] for i in pairs.missed),
        wrong=tuple(found[j] for j in sorted(pairs.false + pairs.repeats)),
    )


def _recall(wanted: Sequence[bool], hit: set[int]) -> Share:
    """Return how many of the wanted true events were found."""
    inside = [i for i, wants in enumerate(wanted) if wants]
    return share(sum(i in hit for i in inside), len(inside))


def _at_least(size: float | None, least: float) -> bool:
    return size is not None and size >= least


def _clear_slip(true: AirSpell) -> bool:
    return true.kind == AirKind.LINER_SLIP and _at_least(true.depth_kpa, RELEVANT_KPA)


def _kinds(truth: Sequence[AirSpell]) -> list[str]:
    """Return our kinds, and after them what else the truth calls its events."""
    return _words(AirKind, [t.kind for t in truth])


def _phases(truth: Sequence[AirSpell]) -> list[str]:
    """Return our phases of milk flow, and after them what else the truth calls them."""
    return _words(Phase, [t.phase for t in truth])


def _words(ours: type[StrEnum], told: Sequence[str | None]) -> list[str]:
    own = [word.value for word in ours]
    return own + sorted({word for word in told if word is not None} - set(own))


def _delay(both: Both) -> Quantiles | None:
    return quantiles(
        [seconds(f.detected_ns - t.start_ns) for t, f in both if f.detected_ns is not None], 50, 95
    )


def _litres(both: Both) -> Quantiles | None:
    return quantiles([f.air_l / t.air_l for t, f in both if t.air_l and f.air_l is not None], 10, 50, 90)


def _quarters(both: Both) -> QuarterScore | None:
    known = [(t.quarter, f.quarter) for t, f in both if t.quarter is not None]
    told = [(true, found) for true, found in known if found is not None]
    if not told:
        return None
    table = confusion(told)
    return QuarterScore(told=share(len(told), len(known)), right=agreement(table), table=table)
