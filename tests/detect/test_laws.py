"""The laws of a detector, on the composed detector and a simulated record, with and without plant sensor."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from numba.core.runtime import _nrt_python
from numba.core.runtime.nrt import rtsys

from detect.batch import ReadingBatch
from detect.checkpoint import Checkpoint
from detect.kinds import Cause
from detect.readings import ArmPosition, CowAtStall, PlantVacuum, Reading, Samples, StallVacuum
from detect.results import AirEvent, ConditionEvent, Milking, PlantEvent, Result
from tests.detect.record import (
    STALLS,
    Record,
    S,
    air_events,
    detector,
    end_ns,
    heard,
    interleaved,
    reframed,
    simulated,
    stream,
    without,
)

CUTS = 12
Span = tuple[int, int]


@pytest.fixture(scope="module")
def whole() -> Record:
    """Return a record of which nothing is lost."""
    return simulated(plant_hz=100, loss_share=0.0)


def cuts(record: Record, seed: int) -> list[int]:
    """Return random places in the record, in order."""
    return sorted(
        int(cut)
        for cut in np.random.default_rng(seed).choice(len(record.readings) - 1, CUTS, replace=False) + 1
    )


def copied(checkpoint: Checkpoint) -> Checkpoint:
    """Send a checkpoint through text, as a store would."""
    text = json.dumps({str(key): blob.hex() for key, blob in checkpoint.blobs.items()})
    blobs = {int(key): bytes.fromhex(blob) for key, blob in json.loads(text).items()}
    return Checkpoint(checkpoint.version, checkpoint.digest, blobs)


def test_the_record_holds_something_of_everything(record: Record, told: list[Result]) -> None:
    """The laws below are tried on slips, falls, plant dips (given their sensor), milkings and losses."""
    kinds = {type(result) for result in told}
    assert kinds >= ({AirEvent, PlantEvent, Milking} if record.plant_sensor else {AirEvent, Milking})
    assert len(air_events(told)) >= 6
    assert len({event.stall for event in air_events(told)}) >= 3
    assert any(isinstance(r, PlantVacuum) for r in record.readings) is record.plant_sensor
    starts = [r.t_ns for r in record.readings if isinstance(r, StallVacuum) and r.stall == 1]
    assert max(b - a for a, b in pairwise(sorted(starts))) > 0.9 * S


def test_it_is_deterministic(record: Record, told: list[Result]) -> None:
    """The same readings give the same results, in the same order."""
    assert heard(record.readings) == told


def test_a_restart_changes_nothing(record: Record, told: list[Result]) -> None:
    """Cut at twelve random places, restored into a new detector, it goes on to the same results."""
    first, saved = detector(), dict[int, tuple[int, Checkpoint]]()
    said: list[Result] = []
    wanted = set(cuts(record, 1))
    for index, reading in enumerate(record.readings):
        if index in wanted:
            saved[index] = (len(said), copied(first.checkpoint()))
        said += first.feed(reading)
    assert said + first.flush() == told
    assert len(saved) == CUTS
    for index, (spoken, checkpoint) in saved.items():
        second = detector()
        second.restore(checkpoint)
        after = [result for reading in record.readings[index:] for result in second.feed(reading)]
        assert told[:spoken] + after + second.flush() == told


def test_a_checkpoint_is_the_same_bytes_after_a_restart(record: Record) -> None:
    """Restored and stored again, the state is the same to the last bit, then and a while later."""
    first = detector()
    for start, stop in pairwise([0, *cuts(record, 2)]):
        for reading in record.readings[start:stop]:
            first.feed(reading)
        stored = first.checkpoint()
        second = detector()
        second.restore(stored)
        assert second.checkpoint() == stored
        first = second


@pytest.mark.parametrize("frame_s", [0.2, 0.5, 1.0])
def test_the_framing_changes_nothing(record: Record, told: list[Result], frame_s: float) -> None:
    """The same samples in frames of another length give the same results."""
    assert heard(reframed(record.readings, frame_s)) == told


@pytest.mark.parametrize("most", [7, 300, 20_000])
def test_the_batching_changes_nothing(record: Record, told: list[Result], most: int) -> None:
    """Readings taken many at once give the same results and leave the same state as one by one."""
    rng, at = np.random.default_rng(most), 0
    batched, single = detector(), detector()
    said: list[Result] = []
    while at < len(record.readings):
        part = record.readings[at : at + int(rng.integers(1, most))]
        cut = int(rng.integers(len(part)))
        said += batched.feed_batch(
            ReadingBatch.join([ReadingBatch.of(part[:cut]), ReadingBatch.of(part[cut:])])
        )
        at += len(part)
    for reading in record.readings:
        single.feed(reading)
    assert batched.checkpoint() == single.checkpoint()
    assert said + batched.flush() == told


@pytest.mark.parametrize("disturb", [1, 2, 3])
def test_batches_decide_on_clocks_as_single_readings_do(record: Record, disturb: int) -> None:
    """Late readings, one clock that jumps and a silence of all are told apart at the same reading."""
    mixed = interleaved(record.readings, np.random.default_rng(disturb), most_s=9.0)
    mixed = [_jumped(reading, index, disturb) for index, reading in enumerate(mixed)]
    single, batched = detector(), detector()
    told = [result for reading in mixed for result in single.feed(reading)]
    said = [
        r
        for at in range(0, len(mixed), 997)
        for r in batched.feed_batch(ReadingBatch.of(mixed[at : at + 997]))
    ]
    assert said == told
    assert batched.counters == single.counters
    assert batched.counters["late_samples"] > 0
    assert batched.checkpoint() == single.checkpoint()


def _jumped(reading: Reading, index: int, disturb: int) -> Reading:
    """Set one stall's clock ahead and another's back in the middle, and let an hour pass later."""
    shift_s = 3600 if index > 9000 and disturb != 2 else 0
    if index > 6000 and disturb != 3 and not isinstance(reading, PlantVacuum):
        shift_s += {3: 200, 4: -100}.get(reading.stall, 0)
    return replace(reading, t_ns=reading.t_ns + shift_s * S)


@pytest.mark.parametrize("seed", range(4))
def test_the_interleaving_of_topics_changes_nothing(record: Record, told: list[Result], seed: int) -> None:
    """Readings up to 0.4 s late, each topic in order, give the same results."""
    mixed = interleaved(record.readings, np.random.default_rng(seed), most_s=0.4)
    assert [stream(r) for r in mixed] != [stream(r) for r in record.readings]
    assert heard(mixed) == told


def test_inputs_are_never_changed(record: Record, told: list[Result]) -> None:
    """Arrays that cannot be written to give the same results."""
    locked = [_locked(reading) for reading in record.readings]
    assert heard(locked) == told


def _locked(reading: Reading) -> Reading:
    """Copy a reading with arrays that refuse to be written."""
    if isinstance(reading, StallVacuum | PlantVacuum):
        return replace(reading, vacuum_kpa=_frozen(reading.vacuum_kpa))
    if isinstance(reading, ArmPosition):
        return replace(reading, angle_deg=_frozen(reading.angle_deg), cord_mm=_frozen(reading.cord_mm))
    return reading


def _frozen(values: Samples) -> Samples:
    copy = values.copy()
    copy.flags.writeable = False
    return copy


def test_the_state_is_bounded(record: Record) -> None:
    """At the end of the record a checkpoint is no larger than 1.5 times the one after a third."""
    one, sizes = detector(), []
    third = len(record.readings) // 3
    for part in (record.readings[:third], record.readings[third:]):
        for reading in part:
            one.feed(reading)
        sizes.append(sum(len(blob) for blob in one.checkpoint().blobs.values()))
    assert sizes[1] < 1.5 * sizes[0]


def own_words(results: Sequence[Result], stall: int, within: Span) -> list[Result]:
    """Return what is said of one stall's milkings that began in a span, up to its end, causes apart."""
    milkings = [r for r in results if isinstance(r, Milking) and r.stall == stall]
    sure = {r.milking_id for r in milkings if r.start_ns > within[0]}
    own = [r for r in results if not isinstance(r, PlantEvent | ConditionEvent) and r.milking_id in sure]
    own = [r for r in own if r.end_ns < within[1]]
    nameless = {"cause": Cause.UNKNOWN, "cause_share": 0.0, "evidence": ""}
    return [replace(r, **nameless) if isinstance(r, AirEvent) else r for r in own]


def test_a_stall_does_not_depend_on_the_others(whole: Record) -> None:
    """Given the plant's sensor, one stall alone is told as within the parlor, but for the cause."""
    told = heard(whole.readings)
    within = (whole.readings[0].t_ns, max(end_ns(r) for r in whole.readings) - 20 * S)
    compared: list[Result] = []
    for stall in range(1, STALLS + 1):
        alone = heard(r for r in whole.readings if isinstance(r, PlantVacuum) or r.stall == stall)
        assert own_words(alone, stall, within) == own_words(told, stall, within)
        compared += own_words(told, stall, within)
    assert any(isinstance(r, Milking) for r in compared)
    assert len(air_events(compared)) >= 3


def test_it_knows_nothing_of_the_future(record: Record, told: list[Result]) -> None:
    """What is told up to any reading is told by a detector that never hears more, from data it has read."""
    one, said, newest_ns = detector(), 0, 0
    stops = dict.fromkeys(cuts(record, 3), 0)
    for index, reading in enumerate(record.readings, start=1):
        newest_ns = max(newest_ns, end_ns(reading))
        for result in one.feed(reading):
            assert result == told[said]
            assert known_ns(result) <= newest_ns
            said += 1
        if index in stops:
            stops[index] = said
    for stop, spoken in stops.items():
        short = detector()
        assert [r for reading in record.readings[:stop] for r in short.feed(reading)] == told[:spoken]


def known_ns(result: Result) -> int:
    """Return the latest instant that a result speaks of."""
    times = [result.end_ns or 0]
    if not isinstance(result, Milking | PlantEvent):
        assert result.start_ns <= result.detected_ns
        times.append(result.detected_ns)
    return max(times)


def spans_of(events: Iterable[AirEvent]) -> list[tuple[int, int, int]]:
    """Return stall, start and end of events."""
    return [(event.stall, event.start_ns, event.end_ns) for event in events]


def is_known(event: AirEvent, spans: Iterable[tuple[int, int, int]]) -> bool:
    """Tell whether an event is one of some, or what is left of it."""
    return any(
        event.stall == stall and event.start_ns < end and start < event.end_ns for stall, start, end in spans
    )


def test_a_gap_around_a_slip_invents_none(whole: Record) -> None:
    """With two seconds missing around an event, it is gone or less, and none appears that is not true."""
    base = air_events(heard(whole.readings))
    known = [*spans_of(base), *whole.true_spans]
    for event in base:
        middle_ns = event.start_ns + min(event.end_ns - event.start_ns, 2 * S) // 2
        gapped = without(whole.readings, event.stall, from_ns=middle_ns - S, to_ns=middle_ns + S)
        after = air_events(heard(gapped))
        assert all(is_known(e, known) for e in after)
        assert len(after) <= len(base)
        left = [e for e in after if e.stall == event.stall and e.start_ns < middle_ns + S <= e.end_ns]
        assert all(e.start_ns >= event.start_ns for e in left)


@pytest.mark.parametrize("seed", range(6))
def test_a_gap_in_quiet_milking_is_no_event(whole: Record, seed: int) -> None:
    """Two seconds missing anywhere else make no event, but are told as missing."""
    base = heard(whole.readings)
    rng = np.random.default_rng(seed)
    milkings = [r for r in base if isinstance(r, Milking) and r.unit_on_s > 60.0]
    milking = milkings[rng.integers(len(milkings))]
    own = [*spans_of(air_events(base)), *whole.true_spans]
    own = [span for span in own if span[0] == milking.stall]
    while True:
        start_ns = int(rng.integers(milking.start_ns + 25 * S, milking.end_ns - 10 * S))
        if all(end + 10 * S < start_ns or start_ns + 10 * S < start for _, start, end in own):
            break
    rest = without(whole.readings, milking.stall, from_ns=start_ns, to_ns=start_ns + 2 * S)
    after = heard(rest)
    assert all(is_known(e, own) for e in air_events(after, milking.stall))
    (gapped,) = (r for r in after if isinstance(r, Milking) and r.milking_id == milking.milking_id)
    assert gapped.coverage_ratio < milking.coverage_ratio


def test_cow_readings_are_part_of_the_record(record: Record) -> None:
    """Cows come and go while the record is disturbed."""
    assert len({r.cow for r in record.readings if isinstance(r, CowAtStall)}) >= 4


@pytest.mark.source("numba's own count of the arrays that its code made and freed")
def test_compiled_code_frees_every_array_that_it_makes(record: Record, told: list[Result]) -> None:
    """A function that makes arrays must say so (`compiled_allocating`), or they stay for ever."""
    made = []
    _nrt_python.memsys_enable_stats()
    try:
        for _ in range(2):
            before = rtsys.get_allocation_stats()
            assert heard(record.readings) == told
            after = rtsys.get_allocation_stats()
            made.append((after.mi_alloc - before.mi_alloc, after.mi_free - before.mi_free))
    finally:
        _nrt_python.memsys_disable_stats()
    assert made[0][0] > 10_000
    assert [alloc - free for alloc, free in made] == [0, 0]
