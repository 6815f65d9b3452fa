"""The whole score: both records brought to the same parlors and time, then each table scored."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final, TypeVar

from dashboards.matching import NS_PER_S, Spell, pair
from dashboards.score.events import EventScore, score_events
from dashboards.score.figures import Counts, counts
from dashboards.score.milkings import MilkingScore, score_milkings
from dashboards.score.spells import AirSpell, MilkingSpell, PlantSpell, Record, SupportSpell
from dashboards.score.support import SupportScore, score_support
from detect.errors import InputError

PLANT_TOLERANCE_S: Final = 2.0
"""Two dips of the plant touch within this [s]; engineering choice."""
MARGIN_S: Final = 3600.0
"""So long before its first and after its last row the truth still speaks [s]: a wash is still judged."""

Spans = Mapping[str, tuple[int, int]]
S = TypeVar("S", AirSpell, MilkingSpell, SupportSpell, PlantSpell)


@dataclass(frozen=True, slots=True)
class Score:
    """Agreement of a history with the truth, table by table; None where the truth does not tell."""

    events: EventScore | None
    milkings: MilkingScore | None
    support: SupportScore | None
    plant: Counts | None
    notes: tuple[str, ...]


def score(truth: Record, found: Record) -> Score:
    """Score a history against the truth; the true milkings are the exposure of every rate.

    Raises
    ------
    InputError
        The truth names no parlor and the history holds several.
    """
    truth, found = _same_names(truth, found)
    found, outside = _within(found, _spans(truth))
    milkings = len(truth.milkings or ())
    return Score(
        events=None
        if truth.events is None
        else score_events(truth.events, found.events or (), milkings=milkings),
        milkings=None if truth.milkings is None else score_milkings(truth.milkings, found.milkings or ()),
        support=None
        if truth.support is None
        else score_support(truth.support, found.support or (), milkings=milkings),
        plant=None if truth.plant is None else _plant(truth.plant, found.plant or ()),
        notes=tuple(_notes(truth, found, outside)),
    )


def _plant(truth: Sequence[PlantSpell], found: Sequence[PlantSpell]) -> Counts:
    return counts(pair(truth, found, tolerance_s=PLANT_TOLERANCE_S))


def _same_names(truth: Record, found: Record) -> tuple[Record, Record]:
    """Take the parlor's name off both sides when the truth names none."""
    if all(spell.parlor for spell in _spells(truth)):
        return truth, found
    parlors = sorted({spell.parlor for spell in _spells(found)})
    if len(parlors) > 1:
        raise InputError(f"names no parlor, and the history holds {', '.join(parlors)}", where="the truth")
    return _unnamed(truth), _unnamed(found)


def _unnamed(record: Record) -> Record:
    return replace(
        record,
        events=_strip(record.events),
        milkings=_strip(record.milkings),
        support=_strip(record.support),
        plant=_strip(record.plant),
    )


def _strip(spells: tuple[S, ...] | None) -> tuple[S, ...] | None:
    return None if spells is None else tuple(replace(spell, parlor="") for spell in spells)


def _spells(record: Record) -> Iterator[Spell]:
    for table in (record.events, record.milkings, record.support, record.plant):
        yield from table or ()


def _spans(truth: Record) -> Spans:
    """Return the time the truth speaks of, parlor by parlor [ns]."""
    spans: dict[str, tuple[int, int]] = {}
    for spell in _spells(truth):
        first, last = spans.get(spell.parlor, (spell.start_ns, spell.end_ns))
        spans[spell.parlor] = min(first, spell.start_ns), max(last, spell.end_ns)
    margin_ns = round(MARGIN_S * NS_PER_S)
    return {parlor: (first - margin_ns, last + margin_ns) for parlor, (first, last) in spans.items()}


def _within(found: Record, spans: Spans) -> tuple[Record, int]:
    """Return what was found within the truth's parlors and time, and how much was not."""
    inside = replace(
        found,
        events=_keep(found.events, spans),
        milkings=_keep(found.milkings, spans),
        support=_keep(found.support, spans),
        plant=_keep(found.plant, spans),
    )
    return inside, sum(1 for _ in _spells(found)) - sum(1 for _ in _spells(inside))


def _keep(spells: tuple[S, ...] | None, spans: Spans) -> tuple[S, ...] | None:
    return None if spells is None else tuple(spell for spell in spells if _inside(spell, spans))


def _inside(spell: Spell, spans: Spans) -> bool:
    """Tell whether a spell meets the truth's time; a truth without a single row limits nothing."""
    if not spans:
        return True
    if spell.parlor not in spans:
        return False
    first, last = spans[spell.parlor]
    return spell.start_ns <= last and first <= spell.end_ns


def _notes(truth: Record, found: Record, outside: int) -> Iterator[str]:
    if truth.missing:
        yield "the truth does not tell: " + ", ".join(truth.missing)
    if found.missing:
        yield "the history does not tell: " + ", ".join(found.missing)
    if not truth.milkings:
        yield "without true milkings there is no rate per 100"
    if outside:
        yield f"{outside} rows of the history lie outside the truth's parlors or time and are left out"
    if not any(True for _ in _spells(found)):
        yield "the history holds nothing within the truth's parlors and time"
