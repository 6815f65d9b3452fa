"""What a milking and a clip weigh on disk."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from random import Random
from typing import Final

import numpy as np

from detect.batch import ReadingBatch
from detect.kinds import AirKind, Cause, Phase
from detect.readings import StallVacuum
from detect.results import AirEvent, Milking
from ingest.traces import traces
from store.batch import Batch
from store.engine import append_rows
from store.history import History
from store.schema import CLIP
from tests.bench.figures import Row, Size

PART: Final = "space"
BAR_BYTES: Final = 250
EVENTS: Final = 3
"""Air events a milking: more than an ordinary parlor has, as many as a poor one."""
STALLS: Final = 80
LARGE, SMALL = 5000, 60
"""Milkings from one checkpoint to the next: after loading; in the service, whose log fills in minutes."""
SEED: Final = 41
T0_NS: Final = 1_930_280_400_000_000_000
S_NS: Final = 1_000_000_000
PARLOR: Final = "willowmere"
TURN_S: Final = 6
"""A milking ends every 6 s: 80 stalls, 8 minutes a turn."""
CLIP_HZ: Final = 100.0
CAUSES, PHASES = tuple(Cause), tuple(Phase)


def measure(size: Size) -> Iterator[Row]:
    """Weigh files of invented results; figures are rounded as the detector rounds them."""
    for events, every in ((0, LARGE), (1, LARGE), (EVENTS, LARGE), (EVENTS, SMALL)):
        weight = _weighed(_milkings(size.milkings, events, Random(SEED)), every * (events + 1))
        how = f"a checkpoint each {every} milkings, {size.milkings} milkings"
        what = f"a milking with {events} events, no clips, {how}"
        yield Row(PART, what, f"{weight:.0f} bytes", f"{BAR_BYTES} bytes", weight <= BAR_BYTES)
    number = max(20, size.milkings // 10)
    yield Row(PART, f"a clip of 11 s at 100 Hz ({number} clips)", f"{_clip_bytes(number):.0f} bytes")


def _weighed(results: Sequence[Milking | AirEvent], step: int) -> float:
    """Return the bytes of blocks a milking takes, those of an empty file apart."""
    folder = Path(tempfile.mkdtemp())
    try:
        with History.open(folder / "farm.duckdb") as history:
            empty = _used_bytes(history)
            for start in range(0, len(results), step):
                history.commit(Batch(PARLOR, results[start : start + step]))
                _checkpoint(history)
            grown = _used_bytes(history) - empty
        return grown / sum(isinstance(result, Milking) for result in results)
    finally:
        shutil.rmtree(folder)


def _checkpoint(history: History) -> None:
    reader = history.reader()
    reader.execute("CHECKPOINT")
    reader.close()


def _used_bytes(history: History) -> int:
    """Return the bytes of blocks in use; freed ones are used again, so they are not counted."""
    reader = history.reader()
    block, used = reader.execute("SELECT block_size, used_blocks FROM pragma_database_size()").fetchall()[0]
    reader.close()
    return int(block) * int(used)


def _milkings(count: int, events: int, rng: Random) -> list[Milking | AirEvent]:
    """Invent milkings in order of their end, each after its events."""
    results: list[Milking | AirEvent] = []
    for number in range(count):
        start_ns = T0_NS + (number * TURN_S * 20 + rng.randrange(0, 60)) * 50_000_000
        stall = number % STALLS + 1
        milking_id = f"{PARLOR}-{stall}-{start_ns // 1_000_000}"
        results += [_event(milking_id, stall, start_ns, rng) for _ in range(events)]
        results.append(_milking(milking_id, stall, start_ns, events=events, rng=rng))
    return results


def _event(milking_id: str, stall: int, milking_ns: int, rng: Random) -> AirEvent:
    """Invent a slip whose figures are spread like those of simulated ones."""
    start_ns = milking_ns + rng.randrange(400, 8000) * 50_000_000
    end_ns = start_ns + rng.randrange(4, 160) * 50_000_000
    share = round(rng.uniform(0.4, 0.95), 3)
    cause = rng.choice(CAUSES)
    evidence = (
        f"cord slack for {rng.randrange(4, 400)} s; flow {rng.randrange(5, 90)} % of its peak, "
        f"fell {rng.randrange(20, 70)} % in 30 s"
        if cause is Cause.WEIGHT_NOT_CARRIED
        else f"nothing stood out ({cause} {share:.2f} or stall_fault {0.9 - 0.9 * share:.2f})"
    )
    return AirEvent(
        event_id=f"{PARLOR}-{stall}-{start_ns // 1_000_000}-air",
        parlor=PARLOR,
        stall=stall,
        milking_id=milking_id,
        kind=AirKind.LINER_SLIP,
        start_ns=start_ns,
        end_ns=end_ns,
        detected_ns=start_ns + rng.randrange(1, 10) * 50_000_000,
        depth_kpa=round(rng.gammavariate(3.0, 3.0), 3),
        max_fall_kpa_250ms=round(rng.gammavariate(3.0, 3.0), 3),
        air_l=round(rng.lognormvariate(-0.8, 0.8), 4),
        peak_air_l_min=round(rng.lognormvariate(3.5, 0.6), 2),
        pulses=rng.randrange(1, 6),
        flow_kg_min=round(rng.gammavariate(2.0, 1.0), 3),
        phase=rng.choice(PHASES),
        impact_kpa=round(rng.gammavariate(2.0, 2.0), 3),
        cause=cause,
        cause_share=share,
        confidence=round(rng.betavariate(8.0, 1.0), 3),
        detector="2+3dc12ba5",
        evidence=evidence,
    )


def _milking(milking_id: str, stall: int, start_ns: int, *, events: int, rng: Random) -> Milking:
    """Invent a whole milking."""
    on_s = round(0.05 * rng.randrange(5000, 10_000), 3)
    yield_kg = round(rng.gauss(13.5, 3.0), 4)
    return Milking(
        milking_id=milking_id,
        parlor=PARLOR,
        stall=stall,
        cow=f"cow{rng.randrange(1, 3000):04d}",
        milker=f"m{rng.randrange(1, 3)}",
        group_name=rng.choice(("first-calf", "high", "low")),
        start_ns=start_ns,
        end_ns=start_ns + int(on_s * S_NS),
        yield_kg=yield_kg,
        unit_on_s=on_s,
        mean_flow_kg_min=round(yield_kg / on_s * 60.0, 4),
        peak_flow_kg_min=round(rng.gauss(4.0, 0.8), 4),
        two_minute_kg=round(rng.gauss(5.0, 1.0), 4),
        low_flow_s=round(0.05 * rng.randrange(100, 1200), 3),
        mean_claw_kpa=round(rng.gauss(38.0, 2.0), 3),
        vacuum_at_removal_kpa=round(rng.gauss(6.0, 2.0), 3),
        slips=events,
        slip_air_l=round(events * rng.lognormvariate(-0.8, 0.8), 4),
        late_slips=rng.randrange(0, events + 1),
        impact_load_kpa=round(events * rng.gammavariate(2.0, 2.0), 3),
        fall_offs=0,
        reattaches=0,
        unsupported_s=round(0.05 * rng.randrange(0, 400), 3),
        coverage_ratio=round(1.0 - 0.0002 * rng.randrange(0, 20), 4),
        complete=True,
    )


def _clip_bytes(count: int) -> float:
    """Weigh clips as the store cuts them, in a file of nothing else."""
    folder = Path(tempfile.mkdtemp())
    try:
        with History.open(folder / "cut.duckdb") as history:
            for start in range(0, count, STALLS):
                _commit_clips(history, range(start, min(start + STALLS, count)))
            reader = history.reader()
            clips = reader.execute(f"FROM {CLIP.name}").fetchall()
            reader.close()
        with History.open(folder / "clips.duckdb") as history:
            empty = _used_bytes(history)
            with history.transaction() as connection:
                append_rows(connection, CLIP.name, clips)
            _checkpoint(history)
            return (_used_bytes(history) - empty) / len(clips)
    finally:
        shutil.rmtree(folder)


def _commit_clips(history: History, numbers: range) -> None:
    """Store one event a stall and 11 s of vacuum around each: 42 kPa, a beat of 1.2 kPa, noise of 0.15."""
    vacuum, events = [], []
    noise, rng = np.random.default_rng(numbers.start), Random(numbers.start)
    for number in numbers:
        stall, t_ns = number % STALLS + 1, T0_NS + number * 60 * S_NS
        t = np.arange(12 * round(CLIP_HZ)) / CLIP_HZ
        slip = np.interp(t, [5.0, 5.1, 6.0, 6.1], [0.0, 8.0, 8.0, 0.0])
        kpa = 42.0 + 1.2 * np.sin(2.0 * np.pi * t) - slip + noise.normal(0.0, 0.15, t.size)
        vacuum.append(StallVacuum(stall, t_ns, CLIP_HZ, 0.05 * np.rint(kpa / 0.05)))
        event = _event(f"m{number}", stall, t_ns, rng)
        events.append(_moved(event, number, t_ns + 5 * S_NS))
    history.commit(Batch(PARLOR, events, vacuum=traces(ReadingBatch.of(vacuum))))


def _moved(event: AirEvent, number: int, start_ns: int) -> AirEvent:
    times = {"start_ns": start_ns, "end_ns": start_ns + S_NS, "detected_ns": start_ns + S_NS // 10}
    return replace(event, event_id=f"{PARLOR}-{number}", **times)
