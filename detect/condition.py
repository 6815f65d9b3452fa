"""What needs a technician: every stall is looked at each 10 s and held against what is usual here.

A look reads the last 6.4 s of vacuum, the last take-off and the parking in hand. It is pure
arithmetic on the detector's state at instants counted from 1970, so neither the framing of messages
nor a restart can change what it says.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from detect.beat import WIDTH
from detect.claw import ClawModel
from detect.drain import drain_s
from detect.episode import WATCHED, Finding, Verdict, is_open, suspected, take_finding
from detect.evidence import UNDER_VACUUM_KPA
from detect.kinds import Condition
from detect.leak import extra_air_l_min
from detect.machine import compiled, compiled_allocating
from detect.norms import (
    FEW,
    GROWN_LOOKS,
    QUORUM,
    Floats,
    expected_kpa,
    learn_curve,
    mean_into,
    usual,
    zeros_kpa,
)
from detect.params import BIN_S, DetectorParams, bins
from detect.pulsation import BAD, GOOD, UNSURE, BeatLimits, weigh_beats
from detect.results import ConditionEvent

LOOK: Final = 200
"""Bins (10 s) between looks."""
REST: Final = bins(10.0)  # an open claw is empty, and a unit put on is settled, after this
STALE: Final = bins(3.0)  # an older milk flow says nothing
STUCK: Final = bins(2.0)  # a reading that stood still for this long tells nothing but that
STEADY_SHARE: Final = 0.7  # of the look's mean: the vacuum was never under it
PARK_LOOKS: Final = 7  # looks (70 s) between two verdicts on one parking
ZERO_STEP: Final = 0.5  # most that one parking may differ from the zero known so far [kPa]
PARKED_SPAN_KPA: Final = 1.0  # an open claw moves by less
EMPTY_KPA: Final = 10.0  # to which a claw drains before the arm pulls
FALLEN_SHARE: Final = 0.7  # of the usual vacuum: a unit that lies open hangs on no udder
LEARN_SHARE: Final = 1.5  # of the level that counts: what is further off teaches the curve nothing
Mask = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Look:
    """What is looked at: the state of all stalls, and the newest vacuum [kPa], shape (stalls, 128)."""

    state: Any
    bin: int
    rings: Floats
    known: Mask
    still: NDArray[np.int64]
    """Bins for which the newest reading has not moved."""
    whole: Mask
    """No bin is missing."""
    hanging: Mask
    """The unit has hung and milked undisturbed all the while."""
    sensed_kpa: tuple[Floats, Floats]
    """Mean of the look, and by how much it moved."""
    kpa: Floats
    """Mean claw vacuum, less the sensor's zero."""
    flow_kg_min: Floats
    """Milk flow; NaN where it is not known or the unit does not hang."""
    usual_kpa: Floats
    """Claw vacuum usual at that flow; NaN where it is not known."""


@compiled_allocating
def read_rings(stalls: Any, at_bin: int, still_kpa: float) -> tuple[Any, Any, Any, Any]:
    """Return the newest vacuum [kPa] of every stall, for how long it has not moved, figures, and who hangs.

    Shapes (stalls, WIDTH), (stalls,), (2, stalls) and (stalls,). Figures are the mean, NaN where a bin is
    missing, and the span; the others say nothing there.
    """
    count = stalls.shape[0]
    rings, still, figures = np.empty((count, WIDTH)), np.empty(count, np.int64), np.empty((2, count))
    hanging = np.empty(count, np.bool_)
    for i in range(count):
        total, least, most = 0.0, np.inf, -np.inf
        for k in range(WIDTH):
            kpa = stalls[i].raw[(at_bin - WIDTH + k) & (WIDTH - 1)]
            rings[i, k] = kpa
            total += kpa
            least, most = min(least, kpa), max(most, kpa)
        still[i] = 0
        while still[i] < WIDTH and not abs(rings[i, WIDTH - 1 - still[i]] - rings[i, WIDTH - 1]) > still_kpa:
            still[i] += 1
        figures[0, i], figures[1, i] = total / WIDTH, most - least
        steady = still[i] < STUCK and least > STEADY_SHARE * figures[0, i]
        hanging[i] = steady and milks(stalls[i], at_bin)
    return rings, still, figures, hanging


@compiled
def milks(s: Any, at_bin: int) -> bool:
    """Tell whether the unit has hung undisturbed for longer than a look."""
    return bool(s.attached == 1 and s.settled == 1 and s.opening == 0 and at_bin - s.on_bin >= REST + WIDTH)


def take_look(state: Any, at_bin: int, known: Mask, params: DetectorParams) -> Look:
    """Return what there is to see before a bin; ``known`` marks stalls at which a cow is milked."""
    rings, still, (mean, swing), hanging = read_rings(state, at_bin, params.condition.still_kpa)
    whole = ~np.isnan(mean)
    hanging &= whole & known
    kpa = mean - zeros_kpa(state["norms"], params.condition.calibration_kpa)
    flow_bin = state["flow_bin"]
    fresh = hanging & (flow_bin >= 0) & (at_bin - flow_bin <= STALE)
    flow = np.where(fresh, state["flow_slow"], np.nan)
    own, others = expected_kpa(state["norms"], flow)
    best = np.where(np.isnan(own), others, own)
    hanging &= ~(kpa < FALLEN_SHARE * best)
    flow[~hanging] = np.nan
    still = np.where(whole, still, 0)
    return Look(state, at_bin, rings, known, still, whole, hanging, (mean, swing), kpa, flow, best)


def look_round(look: Look, parlor: str, params: DetectorParams) -> list[ConditionEvent]:
    """Return what one look at all stalls makes known, and learn from it."""
    events = []
    judges = (judge_sensors, judge_pulsation, judge_vacuum, judge_draining)
    for judge in judges:
        for index, finding in judge(look, params):
            event = take_finding(look.state[index], parlor, finding)
            if event:
                events.append(event)
    return events


def judge_sensors(look: Look, params: DetectorParams) -> Iterator[tuple[int, Finding]]:
    """Judge whether readings move when they must, and are 0 when the unit hangs open."""
    norms, frozen = look.state["norms"], WATCHED.index(Condition.SENSOR_FROZEN)
    doubtful = (look.still == WIDTH) | (look.state["episode"]["open"][:, frozen] == 1)
    moving = look.whole & ~doubtful
    norms["still_bin"][moving] = look.bin - look.still[moving]
    norms["still_kpa"][moving] = look.rings[moving, -1]
    for index in np.flatnonzero(look.whole & doubtful).tolist():
        stuck = _frozen(look, index, params)
        if stuck:
            yield index, stuck
    parked = look.whole & (look.state["attached"] == 0) & (look.state["seen_off"] == 1)
    parked &= look.bin - look.state["off_bin"] >= REST + WIDTH
    parked &= look.sensed_kpa[1] <= PARKED_SPAN_KPA
    own, span = params.condition, (look.bin - LOOK, look.bin)
    verdicts = judge_zeros(look.state, parked, look.sensed_kpa[0], (own.zero_kpa, own.zero_fine_kpa))
    matters = suspected(look.state, Condition.SENSOR_ZERO_OFF)
    for index in np.flatnonzero((verdicts == BAD) | ((verdicts == GOOD) & matters)).tolist():
        if verdicts[index] == GOOD:
            yield index, Finding(Condition.SENSOR_ZERO_OFF, Verdict.GOOD, *span)
        else:
            kpa = float(norms["park_kpa"][index])
            yield index, Finding(Condition.SENSOR_ZERO_OFF, Verdict.BAD, *span, (kpa,))


def _frozen(look: Look, index: int, params: DetectorParams) -> Finding | None:
    own, s = params.condition, look.state[index]
    norm, still, kpa = s["norms"], int(look.still[index]), float(look.rings[index, -1])
    same = norm["still_bin"] > 0 and abs(kpa - norm["still_kpa"]) <= own.still_kpa
    if still < WIDTH:
        moved_bin = look.bin - WIDTH
        if norm["still_bin"] > 0:
            as_before = np.abs(look.rings[index] - norm["still_kpa"]) <= own.still_kpa
            moved_bin += int(np.argmin(as_before)) if as_before[0] else 0
        norm["still_bin"], norm["still_kpa"] = look.bin - still, kpa
        return Finding(Condition.SENSOR_FROZEN, Verdict.GOOD, moved_bin, look.bin)
    if not same:
        norm["still_bin"], norm["still_kpa"] = look.bin - WIDTH, kpa
    from_bin = int(norm["still_bin"])
    flow = float(s["flow_slow"]) if look.bin - s["flow_bin"] <= STALE else 0.0
    milked = flow > own.moving_kg_min and s["attached"] == 0 and look.bin - s["off_bin"] > REST
    long = (look.bin - from_bin) * BIN_S >= own.still_s
    if not long or not (kpa > UNDER_VACUUM_KPA or milked):
        return None
    figures = (kpa, (look.bin - from_bin) * BIN_S, flow)
    return Finding(Condition.SENSOR_FROZEN, Verdict.BAD, from_bin, look.bin, figures)


@compiled_allocating
def judge_zeros(stalls: Any, parked: Mask, mean_kpa: Floats, limits: tuple[float, float]) -> Any:
    """Average the readings of open claws; return ``GOOD`` or ``BAD`` where it is time for it, else unsure.

    ``limits`` are the zeros [kPa] above which a sensor is off, and below which it is fine.
    """
    verdicts = np.full(parked.size, UNSURE)
    for i in range(parked.size):
        norm = stalls[i].norms
        if not parked[i]:
            continue
        if norm.park_bin != stalls[i].off_bin or norm.park_n == 0:
            norm.park_bin, norm.park_n, norm.park_kpa = stalls[i].off_bin, 0, 0.0
        norm.park_n += 1
        norm.park_kpa += (mean_kpa[i] - norm.park_kpa) / min(norm.park_n, GROWN_LOOKS)
        # A fallen unit may lie open under vacuum for a minute: one look is not enough.
        if norm.park_n % PARK_LOOKS == 2:
            learn_zero(norm)
            off_kpa = abs(norm.park_kpa)
            verdicts[i] = BAD if off_kpa > limits[0] else GOOD if off_kpa < limits[1] else UNSURE
    return verdicts


@compiled
def learn_zero(norm: Any) -> None:
    """Take a parking into the sensor's zero, once."""
    if norm.park_n != 2:
        return
    known = norm.zero_kpa if norm.zero_n > 0 else norm.park_kpa
    kpa = min(max(norm.park_kpa, known - ZERO_STEP), known + ZERO_STEP)
    norm.zero_n += 1
    norm.zero_kpa += (kpa - norm.zero_kpa) / min(norm.zero_n, FEW)


def judge_pulsation(look: Look, params: DetectorParams) -> Iterator[tuple[int, Finding]]:
    """Judge whether the claw of every hanging unit beats as usual."""
    own, span = params.condition, (look.bin - LOOK, look.bin)
    limits = BeatLimits(own.beat_least_kpa, own.beat_share, own.beat_fine_share, own.rate_ratio)
    hanging = np.flatnonzero(look.hanging)
    weighed = weigh_beats(look.state, hanging, look.rings, limits)
    matters = suspected(look.state, Condition.PULSATION_OFF)
    for index, (verdict, *figures) in zip(hanging.tolist(), weighed.tolist(), strict=True):
        if verdict == BAD:
            yield index, Finding(Condition.PULSATION_OFF, Verdict.BAD, *span, tuple(figures))
        elif verdict == GOOD and matters[index]:
            yield index, Finding(Condition.PULSATION_OFF, Verdict.GOOD, *span)


def judge_vacuum(look: Look, params: DetectorParams) -> Iterator[tuple[int, Finding]]:
    """Judge whether the claw vacuum of every hanging unit is the usual one at its milk flow."""
    rest = look.kpa - look.usual_kpa
    seen = rest[~np.isnan(rest + look.flow_kg_min)]
    common = float(np.median(seen)) if seen.size >= QUORUM else 0.0  # the plant's, no stall's
    limits = (LEARN_SHARE * params.condition.level_kpa, params.condition.leak_looks)
    due = keep_levels(look.state, look.flow_kg_min, (look.kpa - common, rest - common), limits)
    for index in np.flatnonzero(due).tolist():
        finding = _leak(look, index, params)
        if finding:
            yield index, finding


@compiled_allocating
def keep_levels(stalls: Any, flow_kg_min: Floats, levels: tuple[Floats, Floats], limits: Any) -> Any:
    """Take one look into the mean level of each attachment and the curve of each stall that milks.

    ``levels`` are the claw vacuum and how far it is off [kPa], ``limits`` how far that may be and still teach
    [kPa] and the looks after which a verdict is due. Returns a mark for the stalls at which it is.
    """
    kpa, off_kpa = levels
    due = np.zeros(flow_kg_min.size, np.bool_)
    for i in range(flow_kg_min.size):
        norm, off = stalls[i].norms, off_kpa[i]
        if np.isnan(flow_kg_min[i]):
            continue
        keep_level(norm, stalls[i].on_bin, off, flow_kg_min[i])
        if np.isnan(off) or (abs(off) < limits[0] and norm.slow == 0):
            learn_curve(norm, flow_kg_min[i], kpa[i])
        due[i] = norm.own_told == 0 and norm.own_n >= limits[1]
    return due


@compiled
def keep_level(norm: Any, on_bin: int, off_kpa: float, flow_kg_min: float) -> None:
    """Average how far an attachment's vacuum is off, and the milk flow meanwhile."""
    if norm.own_bin != on_bin:
        norm.own_bin, norm.own_n, norm.own_told, norm.own_off, norm.own_flow = on_bin, 0, 0, 0.0, 0.0
    if not np.isnan(off_kpa):
        norm.own_n += 1
        norm.own_off += (off_kpa - norm.own_off) / norm.own_n
        norm.own_flow += (flow_kg_min - norm.own_flow) / norm.own_n


def _leak(look: Look, index: int, params: DetectorParams) -> Finding | None:
    own, s = params.condition, look.state[index]
    norm = s["norms"]
    norm["own_told"] = 1
    span = (int(norm["own_bin"]), look.bin)
    if norm["slow"]:  # more air would drain it faster: the vacuum is another one for want of air
        return Finding(Condition.STEADY_LEAK, Verdict.GOOD, *span)
    short, flow = -float(norm["own_off"]), float(norm["own_flow"])
    air = extra_air_l_min(params.claw, flow, short)
    if short > own.level_kpa and air > own.leak_l_min:
        return Finding(Condition.STEADY_LEAK, Verdict.BAD, *span, (air, short, flow))
    return Finding(Condition.STEADY_LEAK, Verdict.GOOD, *span) if air < own.leak_fine_l_min else None


def judge_draining(look: Look, params: DetectorParams) -> Iterator[tuple[int, Finding]]:
    """Judge how every unit that has come off since the last look drained."""
    state, norms = look.state, look.state["norms"]
    new = (state["drain"]["n"] != norms["drain_seen"]) & look.known
    norms["drain_seen"] = state["drain"]["n"]
    for index in np.flatnonzero(new).tolist():
        yield from ((index, finding) for finding in _drained(look, index, params))


def _drained(look: Look, index: int, params: DetectorParams) -> Iterator[Finding]:
    own, s = params.condition, look.state[index]
    norm, drain = s["norms"], s["drain"]
    rate = float(drain["rate"])
    usual_rate = usual(look.state["norms"], ("drain_n", "drain_rate"), index, (FEW, 1))
    span = (int(drain["bin"]), look.bin)
    ratio = 1.0 if np.isnan(usual_rate) else usual_rate / rate
    norm["slow"] = int(ratio > own.slow_fine_ratio)
    if ratio < own.slow_fine_ratio:
        mean_into(norm, ("drain_n", "drain_rate"), rate, FEW)
        yield Finding(Condition.VENT_BLOCKED, Verdict.GOOD, *span)
        yield Finding(Condition.SLOW_VACUUM_DECAY, Verdict.GOOD, *span)
    elif ratio > own.slow_ratio:
        off = float(norm["own_off"]) if norm["own_bin"] == s["on_bin"] and norm["own_n"] else 0.0
        vent = abs(off) > own.level_kpa or is_open(s, Condition.VENT_BLOCKED)
        condition = Condition.VENT_BLOCKED if vent else Condition.SLOW_VACUUM_DECAY
        figures = (*_drain_figures(drain, rate, usual_rate, params.claw), off)
        yield Finding(condition, Verdict.BAD, *span, figures)


def _drain_figures(drain: Any, rate: float, usual_rate: float, claw: ClawModel) -> tuple[float, ...]:
    """Return seconds to 10 kPa and the usual ones, net inflow [L/min] and the usual one."""
    quiet = float(drain["quiet"])
    times = [drain_s(k, quiet, EMPTY_KPA, atmosphere_kpa=claw.atmosphere_kpa) for k in (rate, usual_rate)]
    to_l_min = claw.volume_l / claw.atmosphere_kpa * 60.0
    return (*times, rate * to_l_min, usual_rate * to_l_min)
