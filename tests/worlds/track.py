"""The inputs of one stall's physics, laid along its time at 100 Hz."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.worlds.events import AirEvent, Opening
from tests.worlds.milk import at
from tests.worlds.plant import RATE_HZ, wander
from tests.worlds.schedule import Ending, Milking, Visit

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Track:
    """Arrays of one length: what drives the claw of one stall.

    ``leak_mm2`` is air of attaching and detaching, ``gap_mm2`` that of events; ``window`` is 0 or one more
    than the index of the event whose twin runs.
    """

    line_kpa: FloatArray
    valve: FloatArray
    leak_mm2: FloatArray
    gap_mm2: FloatArray
    flow_kg_min: FloatArray
    stroke_l_s: FloatArray
    ripple_kpa: FloatArray
    slug_kpa: FloatArray
    window: NDArray[np.int64]


def blank(line_kpa: FloatArray, stroke: FloatArray, ripple: FloatArray) -> Track:
    """Return a track on which nothing happens: the valve is shut, the unit hangs open."""
    size = line_kpa.size
    zeros = [np.zeros(size) for _ in range(4)]
    return Track(
        line_kpa=line_kpa,
        valve=zeros[0],
        leak_mm2=np.full(size, 250.0),
        gap_mm2=zeros[1],
        flow_kg_min=zeros[2],
        stroke_l_s=stroke,
        ripple_kpa=ripple,
        slug_kpa=zeros[3],
        window=np.zeros(size, np.int64),
    )


def lay_milking(rng: np.random.Generator, track: Track, visit: Visit) -> None:
    """Lay valve, attaching, milk and detaching of one milking."""
    milking = visit.milking
    assert milking is not None
    first, last = int(milking.open_s * RATE_HZ), min(int(milking.shut_s * RATE_HZ), track.valve.size)
    track.valve[first:last] = 1.0
    ramp = int(rng.integers(8, 25))
    track.valve[last : last + ramp] = np.linspace(1.0, 0.0, ramp)[: track.valve[last : last + ramp].size]
    # a unit that is off the cow stays open while its valve shuts
    off = int(milking.end_s * RATE_HZ) if milking.ending is Ending.TAKE_OFF else last - 3
    track.leak_mm2[first:off] = 0.0
    _attach(rng, track, (milking.open_s, milking.on_s), 160.0)
    for hang in milking.hangs:
        if hang.back_s is not None:
            _attach(rng, track, (hang.back_s, hang.back_s), 110.0)
    seconds = np.arange(first, last) / RATE_HZ
    clock = milking.milk_clock(seconds)
    flow = np.where(np.isnan(clock), 0.0, at(milking.curve.flow_kg_min, np.nan_to_num(clock)))
    track.flow_kg_min[first:last] = flow
    _residual(track, milking)


def _residual(track: Track, milking: Milking) -> None:
    """Let the claw's last milk run off within a second after the unit has left the cow."""
    for _, stop, _ in milking.spans:
        k = int(stop * RATE_HZ)
        tail = track.flow_kg_min[k : k + 150]
        if 0 < k < track.flow_kg_min.size and tail.size:
            left = track.flow_kg_min[k - 1] * np.exp(-np.arange(tail.size) / 40.0)
            np.maximum(tail, left, out=tail)


def _attach(rng: np.random.Generator, track: Track, when: tuple[float, float], wide_mm2: float) -> None:
    """Lay one to four steps of closing cups over 3 to 20 s, with noise and a puff before each."""
    open_s, on_s = when
    steps = int(rng.choice([1, 2, 3, 4], p=[0.15, 0.2, 0.25, 0.4]))
    span = rng.uniform(3.0, 20.0 if steps > 1 else 8.0)
    times = np.concatenate([[on_s], on_s + span * np.sort(rng.uniform(0.15, 1.0, steps - 1)), [on_s + span]])
    # a kinked short milk tube lets in little
    wide = wide_mm2 * float(np.exp(rng.uniform(np.log(0.15), np.log(1.4))))
    areas = [wide * ((steps - k) / steps) ** 1.3 for k in range(1, steps + 1)]
    paint(track.leak_mm2, open_s, on_s, wide)
    for k in range(steps):
        area = areas[k] if areas[k] > 0 else rng.uniform(0.0, 6.0)
        paint(track.leak_mm2, times[k], times[k + 1], area)
        if k:
            paint(track.leak_mm2, times[k] - rng.uniform(0.2, 0.7), times[k], wide * rng.uniform(0.6, 1.2))
    a, b = int(open_s * RATE_HZ), min(int((on_s + span) * RATE_HZ), track.leak_mm2.size)
    noise = np.exp(0.35 * wander(rng, max(b - a, 1), 0.15, RATE_HZ))
    track.leak_mm2[a:b] *= noise[: b - a]


def paint(values: FloatArray, start_s: float, end_s: float, value: float) -> None:
    """Set the samples of a span."""
    values[int(start_s * RATE_HZ) : int(end_s * RATE_HZ)] = value


def lay_event(rng: np.random.Generator, track: Track, event: AirEvent, index: int) -> None:
    """Lay the gap of an event, and the window in which its twin runs without it."""
    for opening in event.openings:
        _lay_opening(rng, track.gap_mm2, opening)
    start = int(event.start_s * RATE_HZ)
    track.window[start : int((event.end_s + 0.3) * RATE_HZ) + 1] = index + 1


def _lay_opening(rng: np.random.Generator, gap: FloatArray, opening: Opening) -> None:
    """Lay mean areas of samples under a ramp, a restless plateau and a ramp back."""
    first = int(opening.start_s * RATE_HZ)
    last = min(int(opening.end_s * RATE_HZ) + 1, gap.size)
    if last <= first:
        return
    fine = (np.arange((last - first) * 10) + 0.5) / (10.0 * RATE_HZ) + first / RATE_HZ
    edge = np.minimum((fine - opening.start_s) / opening.ramp_s, (opening.end_s - fine) / opening.close_s)
    shape = np.clip(edge, 0.0, 1.0).reshape(-1, 10).mean(axis=1)
    restless = np.exp(rng.uniform(0.05, 0.25) * wander(rng, last - first, 0.06, RATE_HZ))
    gap[first:last] = np.maximum(gap[first:last], opening.area_mm2 * shape * restless)
