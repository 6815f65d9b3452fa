"""Simulated parlors in full swing, as messages and as readings; each is made once a run."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import cache

from detect.batch import ReadingBatch
from detect.readings import ArmPosition, CowAtStall, MilkFlow, Reading
from ingest.decode import Decoder, Frame
from ingest.wire import Message
from simulator.rotary import simulate
from simulator.scenario import Scenario, plain
from tests.detect.record import reframed

SEED = 20


def scenario(stalls: int, seconds: int, rate_hz: int = 100) -> Scenario:
    """Return an ordinary parlor that is full from the first second on."""
    base = plain(seed=SEED, stalls=stalls, hours=seconds / 3600.0)
    sensors = replace(base.sensors, vacuum_hz=rate_hz)
    return replace(base, loaded=True, sensors=sensors)


@cache
def messages(stalls: int, seconds: int, rate_hz: int = 100) -> tuple[Message, ...]:
    """Return what the parlor's devices send."""
    return tuple(simulate(scenario(stalls, seconds, rate_hz)))


@cache
def readings(stalls: int, seconds: int, rate_hz: int = 100) -> tuple[Reading, ...]:
    """Return the same decoded."""
    own = scenario(stalls, seconds, rate_hz)
    decoder = Decoder(own.root, own.parlor, stalls)
    frames = [decoder.decode(message) for message in messages(stalls, seconds, rate_hz)]
    return tuple(f.content for f in frames if isinstance(f, Frame) and isinstance(f.content, Reading))


def long_frames(record: tuple[Reading, ...], frame_s: float) -> list[Reading]:
    """Return the same samples in longer frames."""
    return reframed(record, frame_s)


def in_columns(record: Sequence[Reading], most: int = 20_000) -> list[ReadingBatch]:
    """Return the same readings as decoded arrays, as many at once as a replay takes."""
    return [ReadingBatch.of(record[at : at + most]) for at in range(0, len(record), most)]


def vacuum_samples(record: tuple[Reading, ...]) -> int:
    """Count the samples of vacuum, of stalls and plant; the slow channels go unpaid."""
    slow = (ArmPosition, CowAtStall, MilkFlow)
    return sum(r.vacuum_kpa.size for r in record if not isinstance(r, slow))
