"""A small parlor on paper: vacuum, milk flow, arms and cows written down second by second."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np

from detect.parlor import ParlorDetector
from detect.readings import ArmPosition, CowAtStall, MilkFlow, PlantVacuum, Reading, Samples, StallVacuum
from detect.results import AirEvent, Milking, PlantEvent, Result

S = 10**9
START_NS = 1_930_280_400 * S
RATE_HZ = 100
QUIET_KPA = 42.0
PARKED, WORKING = (60.0, 30.0), (24.0, 260.0)


@dataclass
class Stall:
    """One stall's signals, quiet and empty to begin with.

    The unit is parked: no vacuum, no milk, arm up. Times are seconds of the script.
    """

    number: int
    seconds: int
    kpa: Samples = field(init=False)
    flow: Samples = field(init=False)
    arm: Samples = field(init=False)
    cows: list[tuple[float, str | None]] = field(default_factory=list)

    def __post_init__(self) -> None:
        rng = np.random.default_rng(self.number)
        self.noise = rng.normal(0.0, 0.1, self.seconds * RATE_HZ)
        self.phase = float(rng.uniform(0.0, 6.28))
        self.kpa = np.zeros(self.seconds * RATE_HZ)
        self.flow = np.zeros(self.seconds)
        self.arm = np.tile(PARKED, (self.seconds * 5, 1))

    @property
    def t(self) -> Samples:
        """Time of each vacuum sample [s]."""
        return np.arange(self.kpa.size) / RATE_HZ

    def cow(self, at_s: float, name: str | None) -> Stall:
        """Let a cow stand here from a moment on, or nobody."""
        self.cows.append((at_s, name))
        return self

    def milk(self, on_s: float, off_s: float, *, kg_min: float = 3.0, fade_s: float = 30.0) -> Stall:
        """Attach, milk on a plateau that fades at the end, and take off as usual: shut, drain, then pull."""
        rise = np.interp(self.t, [on_s, on_s + 1.5, off_s, off_s + 1.2], [0.0, QUIET_KPA, QUIET_KPA, 0.0])
        self.kpa = np.maximum(self.kpa, rise)
        points = [on_s + 6.0, on_s + 16.0, off_s - fade_s, off_s, off_s + 0.1]
        self.flow += np.interp(np.arange(self.seconds), points, [0.0, kg_min, kg_min, 0.3, 0.0])
        self.work_arm(on_s, off_s + 1.7)
        return self

    def work_arm(self, from_s: float, to_s: float) -> None:
        """Hold the arm at work for a while."""
        at = np.arange(self.seconds * 5) / 5.0
        self.arm[(at >= from_s) & (at < to_s)] = WORKING

    def open(self, at_s: float, length_s: float, depth_kpa: float, *, ramp_s: float = 0.1) -> Stall:
        """Let the vacuum fall by ``depth_kpa`` and come back, with ramps at both ends."""
        ends = [at_s, at_s + ramp_s, at_s + length_s, at_s + length_s + ramp_s]
        self.kpa -= np.interp(self.t, ends, [0.0, depth_kpa, depth_kpa, 0.0])
        self.kpa = np.maximum(self.kpa, 0.0)
        return self

    def drop(self, at_s: float) -> Stall:
        """Lose the seal for good within a tenth of a second; milk stops."""
        share = np.interp(self.t, [at_s, at_s + 0.1], [1.0, 0.0])
        self.kpa *= share
        self.flow[int(at_s) + 1 :] = 0.0
        return self

    def readings(self) -> Iterable[Reading]:
        """Give the signals as messages would: half a second of vacuum, 1 Hz flow, 1 s of the arm."""
        beat = 1.2 * np.sin(2.0 * np.pi * self.t + self.phase) * (self.kpa > 0.5 * QUIET_KPA)
        kpa = self.kpa + beat + self.noise
        half = RATE_HZ // 2
        for k in range(2 * self.seconds):
            yield StallVacuum(
                self.number, START_NS + k * S // 2, float(RATE_HZ), kpa[k * half : (k + 1) * half]
            )
        for k in range(self.seconds):
            yield MilkFlow(self.number, START_NS + k * S, float(max(self.flow[k], 0.0)))
            own = self.arm[5 * k : 5 * (k + 1)]
            yield ArmPosition(self.number, START_NS + k * S, 5.0, own[:, 0].copy(), own[:, 1].copy())
        for at_s, name in self.cows:
            yield CowAtStall(self.number, START_NS + round(at_s * S), name, milker="m1", group="g1")


@dataclass
class Parlor:
    """Stalls of one length, and the plant's vacuum."""

    seconds: int
    stalls: list[Stall]
    plant: Samples | None = None

    @staticmethod
    def of(count: int, seconds: int) -> Parlor:
        """Return a parlor of empty stalls without a plant sensor."""
        return Parlor(seconds, [Stall(number, seconds) for number in range(1, count + 1)])

    def with_plant(self) -> Parlor:
        """Add a plant sensor that stands at 44 kPa."""
        self.plant = np.full(self.seconds * RATE_HZ, 44.0)
        return self

    def dip(self, at_s: float, length_s: float, depth_kpa: float) -> Parlor:
        """Let the plant's vacuum fall, with every unit that hangs on it."""
        for stall in self.stalls:
            stall.open(at_s, length_s, depth_kpa, ramp_s=0.3)
        if self.plant is not None:
            t = np.arange(self.plant.size) / RATE_HZ
            ends = [at_s, at_s + 0.3, at_s + length_s, at_s + length_s + 0.3]
            self.plant -= np.interp(t, ends, [0.0, depth_kpa, depth_kpa, 0.0])
        return self

    def readings(self) -> list[Reading]:
        """Give all messages in order of device time, as they would come."""
        readings = [reading for stall in self.stalls for reading in stall.readings()]
        if self.plant is not None:
            half = RATE_HZ // 2
            readings += [
                PlantVacuum(START_NS + k * S // 2, float(RATE_HZ), self.plant[k * half : (k + 1) * half])
                for k in range(2 * self.seconds)
            ]
        return sorted(readings, key=lambda reading: reading.t_ns)

    def told(self) -> Told:
        """Let a new detector hear the whole script."""
        return told_by(self.readings(), len(self.stalls))


@dataclass(frozen=True)
class Told:
    """What a detector said, by kind."""

    results: list[Result]

    @property
    def air(self) -> list[AirEvent]:
        """The air events, in order of their start."""
        events = [r for r in self.results if isinstance(r, AirEvent)]
        return sorted(events, key=lambda event: event.start_ns)

    @property
    def milkings(self) -> list[Milking]:
        """The milkings, in order of their start."""
        rows = [r for r in self.results if isinstance(r, Milking)]
        return sorted(rows, key=lambda row: (row.start_ns, row.stall))

    @property
    def plant(self) -> list[PlantEvent]:
        """The plant events."""
        return [r for r in self.results if isinstance(r, PlantEvent)]


def at_s(t_ns: int) -> float:
    """Return an instant as seconds of the script."""
    return (t_ns - START_NS) / S


def told_by(readings: list[Reading], stalls: int) -> Told:
    """Let a new detector hear the readings."""
    detector = ParlorDetector(parlor="willowmere", stalls=stalls)
    results = [result for reading in readings for result in detector.feed(reading)]
    return Told(results + detector.flush())


def told_without(parlor: Parlor, stall: int, from_s: float, to_s: float) -> Told:
    """Let a detector hear a script of which one stall's vacuum is missing for a while."""

    def heard(reading: Reading) -> bool:
        own = isinstance(reading, StallVacuum) and reading.stall == stall
        return not (own and from_s <= at_s(reading.t_ns) < to_s)

    return told_by([r for r in parlor.readings() if heard(r)], len(parlor.stalls))
