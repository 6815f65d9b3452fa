"""A simulated record of a small parlor as readings in order of arrival, and ways to disturb it."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from detect.parlor import ParlorDetector
from detect.readings import ArmPosition, CowAtStall, MilkFlow, PlantVacuum, Reading, Samples, StallVacuum
from detect.results import AirEvent, Result
from ingest.decode import Decoder, Frame
from simulator.faults import Fault, FaultKind
from simulator.rotary import simulate
from simulator.scenario import Scenario, plain
from simulator.sensors import Sensors

PARLOR = "willowmere"
STALLS = 8
MINUTES = 8
SEED = 20
S = 10**9
Framed = StallVacuum | PlantVacuum | ArmPosition


@dataclass(frozen=True, slots=True)
class Record:
    """Readings in order of arrival, some lost, and what the detector says about them."""

    readings: tuple[Reading, ...]
    plant_sensor: bool
    true_spans: tuple[tuple[int, int, int], ...]
    """Stall, start and end [ns] of what truly happened."""
    true_quarters: tuple[tuple[int, int, str], ...] = ()
    """Stall, start [ns] and quarter of every true slip."""


def scenario(*, plant_hz: int | None, loss_share: float) -> Scenario:
    """Return a loaded rotary with two bad liners, one slack arm and two plant dips."""
    base = plain(seed=SEED, stalls=STALLS, hours=MINUTES / 60.0)
    length_s = 60.0 * MINUTES
    faults = (
        Fault(FaultKind.BAD_LINER, 2, 0.0, length_s, 6.0),
        Fault(FaultKind.BAD_LINER, 5, 0.0, length_s, 6.0),
        Fault(FaultKind.ARM_UNSUPPORTED, 7, 200.0, length_s, 0.1),
        Fault(FaultKind.PLANT_DIP, None, 150.0, 153.0, 4.0),
        Fault(FaultKind.PLANT_DIP, None, 331.0, 333.0, 3.0),
    )
    sensors = Sensors(plant_hz=plant_hz, loss_share=loss_share, duplicate_share=0.0)
    return replace(base, loaded=True, faults=faults, sensors=sensors, plant_dips_per_h=0.0)


def simulated(*, plant_hz: int | None, loss_share: float = 0.01) -> Record:
    """Simulate the parlor and decode its messages."""
    return recorded(scenario(plant_hz=plant_hz, loss_share=loss_share))


def recorded(own: Scenario) -> Record:
    """Simulate any parlor of eight stalls and decode its messages."""
    decoder = Decoder(own.root, own.parlor, STALLS)
    simulation = simulate(own)
    frames = [decoder.decode(message) for message in simulation]
    contents = [frame.content for frame in frames if isinstance(frame, Frame)]
    assert len(contents) == len(frames)
    readings = [reading for reading in contents if isinstance(reading, Reading)]
    events = simulation.truth.tables()["truth_events"]
    instants = events.select("stall", *(events[name].dt.epoch("ns") for name in ("start_at", "end_at")))
    spans = [(int(stall), int(start), int(end)) for stall, start, end in instants.iter_rows()]
    slips = events.filter(events["quarter"].is_not_null())
    slips = slips.select("stall", slips["start_at"].dt.epoch("ns"), "quarter")
    quarters = [(int(stall), int(start), str(quarter)) for stall, start, quarter in slips.iter_rows()]
    return Record(tuple(readings), own.sensors.plant_hz is not None, tuple(spans), tuple(quarters))


def detector() -> ParlorDetector:
    """Return a new detector of the parlor."""
    return ParlorDetector(parlor=PARLOR, stalls=STALLS)


def heard(readings: Iterable[Reading]) -> list[Result]:
    """Return everything a new detector says about a whole record."""
    new = detector()
    results = [result for reading in readings for result in new.feed(reading)]
    return results + new.flush()


def air_events(results: Iterable[Result], *stalls: int) -> list[AirEvent]:
    """Return the air events of some stalls, or of all."""
    return [r for r in results if isinstance(r, AirEvent) and (not stalls or r.stall in stalls)]


def stream(reading: Reading) -> tuple[str, int]:
    """Name the topic that a reading came on, and its channel."""
    channel = f" {reading.channel}" if isinstance(reading, StallVacuum) else ""
    return type(reading).__name__ + channel, 0 if isinstance(reading, PlantVacuum) else reading.stall


def end_ns(reading: Reading) -> int:
    """Return the device time up to which a reading speaks."""
    if isinstance(reading, CowAtStall | MilkFlow):
        return reading.t_ns
    return reading.t_ns + round(_values(reading)[0].size / reading.rate_hz * S)


def interleaved(readings: Sequence[Reading], rng: np.random.Generator, *, most_s: float) -> list[Reading]:
    """Delay every reading at random by up to ``most_s``; each topic keeps its order."""
    arrivals: list[tuple[int, int]] = []
    last: dict[tuple[str, int], int] = defaultdict(int)
    for index, reading in enumerate(readings):
        arrival = max(last[stream(reading)], end_ns(reading) + int(rng.uniform(0.0, most_s) * S))
        last[stream(reading)] = arrival
        arrivals.append((arrival, index))
    return [readings[index] for _, index in sorted(arrivals)]


def reframed(readings: Sequence[Reading], frame_s: float) -> list[Reading]:
    """Put the same samples into frames of another length, in order of their end."""
    runs: dict[tuple[str, int], list[list[Framed]]] = defaultdict(list)
    others: list[Reading] = []
    for reading in readings:
        if isinstance(reading, CowAtStall | MilkFlow):
            others.append(reading)
            continue
        known = runs[stream(reading)]
        if known and end_ns(known[-1][-1]) == reading.t_ns:
            known[-1].append(reading)
        else:
            known.append([reading])
    cut = [piece for known in runs.values() for run in known for piece in _cut(run, frame_s)]
    return sorted([*others, *cut], key=end_ns)


def _cut(run: list[Framed], frame_s: float) -> Iterator[Framed]:
    """Cut one unbroken run of frames anew."""
    first = run[0]
    size = max(1, round(frame_s * first.rate_hz))
    planes = [np.concatenate(plane) for plane in zip(*map(_values, run), strict=True)]
    for start in range(0, planes[0].size, size):
        t_ns = first.t_ns + round(start / first.rate_hz * S)
        values = [plane[start : start + size].copy() for plane in planes]
        if isinstance(first, ArmPosition):
            yield replace(first, t_ns=t_ns, angle_deg=values[0], cord_mm=values[1])
        else:
            yield replace(first, t_ns=t_ns, vacuum_kpa=values[0])


def _values(reading: Framed) -> tuple[Samples, ...]:
    """Return the arrays of a frame."""
    if isinstance(reading, ArmPosition):
        return reading.angle_deg, reading.cord_mm
    return (reading.vacuum_kpa,)


def without(readings: Iterable[Reading], stall: int, *, from_ns: int, to_ns: int) -> list[Reading]:
    """Drop one stall's vacuum frames that touch a stretch of time."""
    return [
        r
        for r in readings
        if not (isinstance(r, StallVacuum) and r.stall == stall and end_ns(r) > from_ns and r.t_ns < to_ns)
    ]
