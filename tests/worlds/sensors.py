"""What the devices make of it: errors of sensors and meters, frames, clocks, and a poor network."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from tests.worlds.arm import ARM_HZ
from tests.worlds.plant import RATE_HZ, wander
from tests.worlds.ranges import Ranges, draw
from tests.worlds.schedule import Visit

FloatArray = NDArray[np.float64]
Row = tuple[int, str, bytes]

HUNDREDTHS: Final = [f"{k / 100:g}" for k in range(-400, 12_000)]
"""Printed numbers of two decimals: a capture holds millions of them."""
LATE_SHARE: Final = 0.003
DOUBLED_SHARE: Final = 0.003


@dataclass(frozen=True, slots=True)
class Line:
    """How one device speaks: the start of time, its clock's error, and its share of lost frames."""

    start_ms: int
    clock_ms: float
    lost_share: float


def read_vacuum(rng: np.random.Generator, ranges: Ranges, kpa: FloatArray) -> FloatArray:
    """Return what a sensor of its own gain, offset, drift and noise makes of the vacuum."""
    drift = 0.15 * wander(rng, kpa.size, 900.0, RATE_HZ)
    gain = 1.0 + draw(rng, ranges.gain_error)
    return (
        gain * kpa
        + draw(rng, ranges.offset_kpa)
        + drift
        + draw(rng, ranges.noise_kpa) * rng.normal(size=kpa.size)
    )


def read_flow(rng: np.random.Generator, flow_kg_min: FloatArray, air_mm2: FloatArray) -> FloatArray:
    """Return a meter's 1 Hz readings: they lag by 2 to 4 s, and air blinds them or makes them leap."""
    every = int(RATE_HZ / 10)
    flow = flow_kg_min[: flow_kg_min.size // every * every].reshape(-1, every).mean(axis=1)
    air = air_mm2[: flow.size * every].reshape(-1, every).max(axis=1)
    lag = rng.uniform(2.0, 4.0)
    dead = int(10 * lag * 0.5)
    a = np.exp(-0.1 / (0.5 * lag))
    late = np.concatenate([np.zeros(dead), flow])[: flow.size]
    slow = _lowpass(late, a)[9::10]
    troubled = air[: slow.size * 10].reshape(-1, 10).max(axis=1) > 3.0
    troubled |= np.concatenate([[False], troubled[:-1]])
    shown = slow * (1.0 + rng.normal(0.0, 0.02, slow.size)) * (1.0 + rng.normal(0.0, 0.015)) + rng.normal(
        0.0, 0.01, slow.size
    )
    spike = rng.random(slow.size) < 0.35
    shown = np.where(troubled & ~spike, shown * rng.uniform(0.0, 0.5, slow.size), shown)
    shown = np.where(troubled & spike & (slow > 0.05), shown + rng.uniform(0.3, 2.5, slow.size), shown)
    return np.round(np.clip(shown, 0.0, 25.0), 2)


def _lowpass(values: FloatArray, a: float) -> FloatArray:
    return np.asarray(lfilter([1.0 - a], [1.0, -a], values))


def vacuum_rows(rng: np.random.Generator, line: Line, topic: str, kpa: FloatArray) -> list[Row]:
    """Return the frames of half a second at 100 Hz."""
    texts = _hundredths(kpa)
    payloads = [
        (500 * i, f'"rate_hz":100.0,"kpa":[{",".join(texts[50 * i : 50 * i + 50])}]')
        for i in range(len(texts) // 50)
    ]
    return _sent(rng, line, topic, payloads, 500)


def arm_rows(
    rng: np.random.Generator, line: Line, topic: str, arm: tuple[FloatArray, FloatArray]
) -> list[Row]:
    """Return the frames of one second at 5 Hz."""
    n = int(ARM_HZ)
    angles = [f"{x:.2f}" for x in arm[0]]
    cords = [f"{x:.1f}" for x in arm[1]]
    payloads = [
        (
            1000 * i,
            f'"rate_hz":5.0,"angle_deg":[{",".join(angles[n * i : n * i + n])}],'
            f'"cord_mm":[{",".join(cords[n * i : n * i + n])}]',
        )
        for i in range(len(angles) // n)
    ]
    return _sent(rng, line, topic, payloads, 1000)


def flow_rows(rng: np.random.Generator, line: Line, topic: str, flow: FloatArray) -> list[Row]:
    """Return one reading a second; each is of the second that has just gone by."""
    payloads = [(1000 * (i + 1), f'"kg_min":{x:g}') for i, x in enumerate(flow)]
    return _sent(rng, line, topic, payloads, 0)


def cow_rows(rng: np.random.Generator, line: Line, topic: str, visits: list[Visit]) -> list[Row]:
    """Tell who comes and goes; nothing is lost, for a reader repeats what is not taken."""
    payloads: list[tuple[int, str]] = []
    for visit in visits:
        name = "null" if visit.cow is None else f'"{visit.cow}"'
        told = (
            f'"cow":{name}'
            if visit.cow is None
            else f'"cow":{name},"parity":{visit.parity},"dim":{visit.dim}'
        )
        payloads.append((int(1000 * (visit.entry_s + rng.uniform(0.0, 3.0))), told))
        if visit.rounds > 1 and rng.random() < 0.5:
            middle = visit.entry_s + (visit.exit_s - visit.entry_s) / 2.0
            payloads.append((int(1000 * (middle + rng.uniform(0.0, 5.0))), told))
        payloads.append((int(1000 * visit.exit_s), '"cow":null'))
    certain = Line(line.start_ms, line.clock_ms, 0.0)
    return _sent(rng, certain, topic, payloads, 0)


def _hundredths(values: FloatArray) -> list[str]:
    return [
        HUNDREDTHS[k] for k in (np.clip(np.round(values * 100), -400, 11_999).astype(np.int64) + 400).tolist()
    ]


def _sent(
    rng: np.random.Generator, line: Line, topic: str, payloads: list[tuple[int, str]], length_ms: int
) -> list[Row]:
    """Give payloads their numbers, stamp them by the device's clock, and send them over a poor network."""
    count = len(payloads)
    chance, delay = rng.random(count), rng.uniform(20.0, 120.0, count)
    rows: list[Row] = []
    for seq, (at_ms, body) in enumerate(payloads):
        if chance[seq] < line.lost_share:
            continue
        stamp = line.start_ms + at_ms + round(line.clock_ms)
        payload = f'{{"seq":{seq},"t_ms":{stamp},{body}}}'.encode()
        late = chance[seq] > 1.0 - LATE_SHARE
        wait = delay[seq] + (rng.uniform(400.0, 3000.0) if late else 0.0)
        recv_ns = int((line.start_ms + at_ms + length_ms + wait) * 1e6)
        rows.append((recv_ns, topic, payload))
        if 0.5 < chance[seq] < 0.5 + DOUBLED_SHARE:
            rows.append((recv_ns + int(rng.uniform(1e6, 2e9)), topic, payload))
    return rows
