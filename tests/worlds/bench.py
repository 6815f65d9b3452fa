"""A test bench for the worlds' parts: steady units, single slips, and a lock-in that knows the beat."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from tests.worlds.arm import ARM_HZ, draw_arm
from tests.worlds.claw_plug import PlugUnit
from tests.worlds.events import AirEvent, Opening
from tests.worlds.orifice import free_air_l_s
from tests.worlds.plan import Order, Plan
from tests.worlds.plant import RATE_HZ
from tests.worlds.pulsation import Pulsator, beat
from tests.worlds.schedule import Visit
from tests.worlds.support import SupportSpell
from tests.worlds.track import Track, blank, lay_event

FloatArray = NDArray[np.float64]
STRETCH_S = 30.0
SEA_LEVEL_KPA = 101.325
STEP_S = 1.0 / RATE_HZ
LOW_LINE = PlugUnit(0.40, 16.0, 2.0, -0.8, 6.0 + 0.03 * 2.0 / 0.016, 0.5, 0.0)
HIGH_LINE = PlugUnit(0.40, 16.0, 3.0, 1.8, 6.0 + 0.03 * 3.0 / 0.016, 0.5, 0.0)


def vent_mm2(air_l_min: float, vacuum_kpa: float) -> float:
    return air_l_min / 60.0 / free_air_l_s(1.0, vacuum_kpa, SEA_LEVEL_KPA)


def with_vent(unit: PlugUnit, area_mm2: float) -> PlugUnit:
    return PlugUnit(
        unit.volume_l, unit.bore_mm, unit.length_m, unit.lift_m, unit.friction, unit.hold_up, area_mm2
    )


def steady_track(seconds: float, flow_kg_min: float, line_kpa: float = 44.0) -> Track:
    """Return a sealed unit on a steady line, with steady milk and without pulsation."""
    size = int(seconds * RATE_HZ)
    track = blank(np.full(size, line_kpa), np.zeros(size), np.zeros(size))
    track.valve[:] = 1.0
    track.leak_mm2[:] = 0.0
    track.flow_kg_min[:] = flow_kg_min
    return track


def slipped(track: Track, start_s: float, length_s: float, area_mm2: float) -> AirEvent:
    opening = Opening(start_s, start_s + length_s, 0.03, 0.03, area_mm2)
    event = AirEvent(1, "liner_slip", "unknown", "peak", (opening,))
    lay_event(np.random.default_rng(0), track, event, 0)
    return event


def settling_s(run: Callable[[Track], tuple[FloatArray, ...]]) -> float:
    """Return how long after the reseal of a slip of 1 s the vacuum still is more than 1 kPa from before."""
    track = steady_track(40.0, 2.5)
    event = slipped(track, 30.0, 1.0, 3.0)
    vacuum = run(track)[0]
    after = vacuum[int(event.end_s * RATE_HZ) + 1 :]
    away = np.flatnonzero(np.abs(after - vacuum[2990]) > 1.0)
    return float(away[-1] + 1 if away.size else 0) * STEP_S


def swings(order: Order, plan: Plan) -> dict[str, list[float]]:
    """Return the angle's swing at the beat in stretches of 30 s, over its stall's median on a taut cord."""
    rng = np.random.default_rng(1)
    size = int(order.minutes * 60 * RATE_HZ)
    all_stalls: dict[str, list[float]] = {"taut": [], "slack": []}
    for stall, visits in plan.visits.items():
        phase = beat(rng, Pulsator(58.0, 0.6, alternate=True), size)
        spells = [spell for spell in plan.spells if spell.stall == stall]
        angle, _ = draw_arm(rng, order.ranges, visits, (spells, [], phase))
        turns = np.exp(-2j * np.pi * phase[:: int(RATE_HZ / ARM_HZ)])
        own: dict[str, list[float]] = {"taut": [], "slack": []}
        for start, state in _stretches(visits, spells):
            part = slice(int(start * ARM_HZ), int((start + STRETCH_S) * ARM_HZ))
            own[state].append(float(np.abs(np.mean(np.diff(angle)[part] * turns[part]))))
        for state, found in own.items():
            all_stalls[state] += [swing / float(np.median(own["taut"])) for swing in found]
    return all_stalls


def _stretches(visits: list[Visit], spells: list[SupportSpell]) -> list[tuple[float, str]]:
    """Return the stretches of undisturbed milkings that are wholly taut or wholly slack."""
    found = []
    for milking in (visit.milking for visit in visits):
        if milking is None or milking.hangs:
            continue
        for start in np.arange(milking.on_s + 12.0, milking.shut_s - STRETCH_S - 2.0, STRETCH_S):
            end = start + STRETCH_S
            touching = [spell for spell in spells if spell.start_s < end and spell.end_s > start]
            if not touching:
                found.append((float(start), "taut"))
            elif all(s.state == "slack" and s.start_s < start and s.end_s > end for s in touching):
                found.append((float(start), "slack"))
    return found
