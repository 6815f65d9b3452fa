"""Openings of the liners: when, how long, how wide, and why.

Slips come by a rate that the circumstances of the moment raise, and the cause of a slip is drawn by the share
of each circumstance in that rate: what happens on a unit that nothing ails is ``unknown``.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from tests.worlds.milk import at
from tests.worlds.orifice import free_air_l_s
from tests.worlds.ranges import Ranges, draw
from tests.worlds.schedule import Visit
from tests.worlds.support import SupportSpell

FloatArray = NDArray[np.float64]

CAUSES: Final = ("unknown", "weight_not_carried", "quarter_dry", "low_plant_vacuum", "stall_fault", "cow")
MERGE_S: Final = 5.0
"""Pauses under it make one event."""
SETTLED_S: Final = 22.0
"""No slip sooner after the first cup: the milker is still there."""
AT_KPA: Final = 40.0


@dataclass(frozen=True, slots=True)
class Opening:
    """One opening of the liner: effective area [mm2] behind a ramp, held, and closed behind another."""

    start_s: float
    end_s: float
    ramp_s: float
    close_s: float
    area_mm2: float


@dataclass(frozen=True, slots=True)
class AirEvent:
    """What the truth calls one event."""

    stall: int
    kind: str
    cause: str
    phase: str
    openings: tuple[Opening, ...]
    cause_best: float = 1.0
    """Share of the likeliest cause at that moment: who knew all of it would be right so often."""

    @property
    def start_s(self) -> float:
        return self.openings[0].start_s

    @property
    def end_s(self) -> float:
        return self.openings[-1].end_s


@dataclass(frozen=True, slots=True)
class Circumstances:
    """What raises the rate of slips, common to a parlor."""

    unrest: dict[int, list[tuple[float, float]]]
    """Of each stall the times in which its cow kicks and treads."""
    fault: dict[int, float]
    """Factor of each stall; 1 is sound."""
    deficit_kpa: FloatArray
    """Missing plant vacuum at each full second."""


def excess_rates(
    visit: Visit, spells: list[SupportSpell], around: Circumstances
) -> tuple[FloatArray, FloatArray]:
    """Return seconds, and the rate of each cause there over the sound rate, shape (causes, seconds)."""
    milking = visit.milking
    assert milking is not None
    seconds = np.arange(np.ceil(milking.on_s + SETTLED_S), milking.shut_s - 3.0)
    clock = milking.milk_clock(seconds)
    on = ~np.isnan(clock)
    for hang in milking.hangs:
        on &= (seconds < hang.start_s - 7.0) | (seconds > hang.end_s + 8.0)
    rates = np.zeros((len(CAUSES), seconds.size))
    rates[0] = 1.0
    for spell in spells:
        if spell.stall == visit.stall and spell.state == "slack":
            rates[1][(seconds > spell.start_s) & (seconds < spell.end_s - 1.0)] = 4.0 + 6.0 * (
                1.0 - 4.0 * spell.share
            )
    rates[2] = 2.2 * np.minimum(at(milking.curve.dry, np.nan_to_num(clock)), 3.0)
    index = np.minimum(seconds.astype(int), around.deficit_kpa.size - 1)
    rates[3] = 7.0 * np.maximum(around.deficit_kpa[index] - 0.7, 0.0)
    rates[4] = around.fault[visit.stall] - 1.0
    for start, end in around.unrest[visit.stall]:
        rates[5][(seconds >= start) & (seconds <= end)] = 60.0
    return seconds, rates * on


def draw_slips(
    rng: np.random.Generator,
    ranges: Ranges,
    rates: list[tuple[Visit, FloatArray, FloatArray]],
    flutter: float,
) -> list[AirEvent]:
    """Draw the slips of a parlor so that their expected number is the parlor's slips per 100 milkings."""
    total = sum(float(r.sum()) for _, _, r in rates)
    if total <= 0.0:
        return []
    sound = draw(rng, ranges.slips_per_100) / 100.0 * len(rates) / total
    events: list[AirEvent] = []
    for visit, seconds, rate in rates:
        for k in np.flatnonzero(rng.random(seconds.size) < sound * rate.sum(axis=0)):
            share = rate[:, k] / rate[:, k].sum()
            cause = CAUSES[int(rng.choice(len(CAUSES), p=share))]
            slip = _slip(rng, ranges, visit, float(seconds[k] + rng.uniform()), (cause, flutter))
            events.append(replace(slip, cause_best=float(share.max())))
    return _merge(events, rates)


def _slip(
    rng: np.random.Generator, ranges: Ranges, visit: Visit, start: float, how: tuple[str, float]
) -> AirEvent:
    cause, flutter = how
    openings = (
        _flutter(rng, start, ranges.slip_litres_median)
        if rng.random() < flutter
        else _openings(rng, ranges, start)
    )
    return AirEvent(visit.stall, "liner_slip", cause, phase_of(visit, start), tuple(openings))


def _openings(rng: np.random.Generator, ranges: Ranges, start: float) -> list[Opening]:
    """Return one opening, or a squawking train of some with pauses."""
    made = []
    for _ in range(1 if rng.random() >= ranges.train_share else 1 + int(rng.geometric(0.5))):
        length = 0.0
        while not 0.15 <= length <= 2.0:
            length = draw(rng, ranges.slip_median_s) * float(np.exp(ranges.slip_log_sigma * rng.normal()))
        made.append(_opening(rng, start, length, ranges.slip_litres_median))
        start = made[-1].end_s + rng.uniform(0.25, 4.0)
    return made


def _opening(rng: np.random.Generator, start: float, length: float, median_l: float) -> Opening:
    """Draw litres and from them the area, within what a liner can let through."""
    litres, air_l_min = 0.0, 0.0
    while not (0.03 <= litres <= 1.5 and 6.0 <= air_l_min <= 200.0):
        litres = median_l * float(np.exp(1.0 * rng.normal()))
        air_l_min = litres / length * 60.0
    ramp = min(rng.uniform(0.01, 0.06), length / 3.0)
    return Opening(start, start + length, ramp, ramp, air_l_min / 60.0 / free_air_l_s(1.0, AT_KPA, 101.3))


def _flutter(rng: np.random.Generator, start: float, median_l: float) -> list[Opening]:
    """Return short openings at 2 to 6 a second for half a second to three, with the litres of one slip."""
    rate, stop = rng.uniform(2.0, 6.0), start + rng.uniform(0.5, 3.0)
    spans = []
    while start < stop:
        period = rng.uniform(0.8, 1.2) / rate
        spans.append((start, float(np.clip(period * rng.uniform(0.4, 0.75), 0.1, min(0.4, 0.9 * period)))))
        start += period
    whole = _opening(rng, start, sum(length for _, length in spans), 1.4 * median_l)
    ramp = rng.uniform(0.01, 0.03)
    return [Opening(at, at + on, ramp, ramp, whole.area_mm2 * rng.uniform(0.6, 1.4)) for at, on in spans]


def phase_of(visit: Visit, instant_s: float) -> str:
    """Return the phase by the true flow."""
    milking = visit.milking
    assert milking is not None
    clock = float(np.nan_to_num(milking.milk_clock(np.array([instant_s])))[0])
    curve = milking.curve
    flow = float(at(curve.flow_kg_min, np.array([clock]))[0])
    plateau = np.flatnonzero(curve.flow_kg_min >= 0.8 * curve.peak_kg_min) * 0.1
    if clock < plateau[0]:
        return "let_down"
    if clock <= plateau[-1]:
        return "peak"
    return "low_flow" if flow < 0.4 else "decline"


def wide_openings(rng: np.random.Generator, visit: Visit) -> list[AirEvent]:
    """Return the fall-off or the removal of a milking, if it has one."""
    milking = visit.milking
    assert milking is not None
    events = []
    for hang in milking.hangs:
        removal = milking.ending == "removal"
        end = hang.end_s if hang.back_s is None else hang.back_s
        area, ramp = rng.uniform(100.0, 350.0), rng.uniform(0.05, 0.4)
        wide = Opening(hang.start_s, end, ramp, 0.05, area)
        openings = [wide]
        if not removal and rng.random() < 0.4:
            # one cup leaves first and pulls the others down
            wide = replace(wide, start_s=hang.start_s + rng.uniform(0.2, 1.2))
            one_cup = Opening(hang.start_s, wide.start_s + ramp + 0.1, 0.04, 0.04, rng.uniform(15.0, 60.0))
            openings = [one_cup, wide]
        cause = "cow" if hang.kicked else "unknown"
        kind = "vacuum_removal" if removal else "fall_off"
        events.append(
            AirEvent(visit.stall, kind, cause, phase_of(visit, hang.start_s - 0.2), tuple(openings))
        )
    return events


def _merge(events: list[AirEvent], rates: list[tuple[Visit, FloatArray, FloatArray]]) -> list[AirEvent]:
    """Join slips of a stall with pauses under five seconds, and drop what would leave its milking."""
    latest = {(v.stall, v.entry_s): float(s[-1]) for v, s, r in rates if r.any() and s.size}
    merged: list[AirEvent] = []
    for event in sorted(events, key=lambda one: (one.stall, one.start_s)):
        last = merged[-1] if merged else None
        if last and last.stall == event.stall and event.start_s - last.end_s < MERGE_S:
            kept = [o for o in event.openings if o.start_s > last.end_s]
            merged[-1] = replace(last, openings=(*last.openings, *kept))
        else:
            merged.append(event)
    ends = sorted((stall, entry, end) for (stall, entry), end in latest.items())
    return [
        e
        for e in merged
        if e.end_s < max((end for s, entry, end in ends if s == e.stall and entry < e.start_s))
    ]
