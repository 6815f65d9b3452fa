"""The detector on decoded arrays, beside general stream frameworks that call the same kernel a message."""

from __future__ import annotations

import importlib
import importlib.util
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import replace
from typing import Any, Final

from detect.batch import ReadingBatch
from detect.kernel import advance
from detect.params import BIN_S
from detect.parlor import ParlorDetector
from detect.readings import PlantVacuum, Reading
from detect.state import Bins
from tests.bench.figures import Row, Size, in_turns, significant
from tests.bench.recording import in_columns, long_frames, readings, vacuum_samples

PART: Final = "detector"
KERNEL: Final = "kernel alone, on its grid"
PEER_SECONDS: Final = 60
"""Signal given to the frameworks: they are slow, and the ratio does not hang on it."""
Keyed = Sequence[tuple[str, Reading]]


def measure(size: Size) -> Iterator[Row]:
    """Measure samples a second of one core, and the ratio to the best framework."""
    yield from alone(size)
    yield from beside(size)


def alone(size: Size) -> Iterator[Row]:
    """Measure the detector in frames as devices send them and longer, and its kernel on a ready grid."""
    record = readings(size.stalls, size.seconds)
    samples = vacuum_samples(record)
    frames = {0.5: in_columns(record), 2.0: in_columns(long_frames(record, 2.0))}
    detect(in_columns(record[:2000]), size.stalls)  # compile
    grids = on_grid(record, size.stalls)
    counts = dict.fromkeys((f"frames of {s:g} s" for s in frames), samples)
    counts[KERNEL] = sum(grid.kpa.size + grid.plant_kpa.size for grid in grids) * round(100 * BIN_S)
    timings = in_turns(
        {f"frames of {s:g} s": _job(frames[s], size.stalls) for s in frames}
        | {KERNEL: lambda: run_kernel(grids, size.stalls)},
        size.runs,
    )
    for name, timing in timings.items():
        rate = counts[name] / timing.cpu_s / 1e6
        what = f"{size.stalls} stalls at 100 Hz, all channels, {name}"
        yield Row(PART, what, f"{significant(rate)} million samples/s of a core", "60", rate >= 60.0)


def beside(size: Size) -> Iterator[Row]:
    """Run the detector and the frameworks in turns on the same messages."""
    record = readings(size.stalls, min(size.seconds, PEER_SECONDS))
    keyed = one_stall_each(record)
    frameworks = {name: work for name, work in FRAMEWORKS.items() if _installed(name)}
    rivals: dict[str, Callable[[], object]] = {"ours": _job(in_columns(record), size.stalls)}
    rivals |= {name: _framework_job(work, keyed) for name, work in frameworks.items()}
    timings = in_turns(rivals, size.runs)
    samples = vacuum_samples(record)
    ours = timings.pop("ours").cpu_s
    for name, timing in timings.items():
        rate, ratio = samples / timing.cpu_s / 1e6, timing.cpu_s / ours
        what = f"ratio to {name}, one detector a stall called for each message of 0.5 s"
        figure = (
            f"{significant(ratio)} times ({significant(rate)} against {significant(samples / ours / 1e6)})"
        )
        yield Row(PART, what, figure, "25", ratio >= 25.0)
    for name in FRAMEWORKS.keys() - frameworks.keys():
        yield Row(PART, f"ratio to {name}", "not installed")


def detect(record: Iterable[ReadingBatch], stalls: int) -> int:
    """Let a new detector read a record; return the number of results."""
    detector = ParlorDetector(parlor="willowmere", stalls=stalls)
    count = sum(len(detector.feed_batch(batch)) for batch in record)
    return count + len(detector.flush())


def on_grid(record: Iterable[Reading], stalls: int) -> list[Bins]:
    """Return the grids the kernel is called with."""
    detector = ParlorDetector(parlor="willowmere", stalls=stalls)
    grids: list[Bins] = []
    line = detector.timeline
    for reading in record:
        line.add(reading)
        if line.closed_bin() - line.done_bin >= 100:
            grids.append(line.take(line.done_bin + 100))
            line.cows.clear()
    return grids


def run_kernel(grids: Iterable[Bins], stalls: int) -> None:
    """Call the kernel, without the assembler."""
    own = ParlorDetector(parlor="willowmere", stalls=stalls)
    for grid in grids:
        advance(own.state, own.plant, grid, (own._rows, own.witness), own._numbers)


def one_stall_each(record: Iterable[Reading]) -> Keyed:
    """Return the readings keyed by stall for detectors of one stall; the plant's are left out."""
    return [
        (str(reading.stall), replace(reading, stall=1))
        for reading in record
        if not isinstance(reading, PlantVacuum)
    ]


def step(detector: ParlorDetector | None, reading: Reading) -> tuple[ParlorDetector, int]:
    """Take one message: the step a general framework runs, with the stall's own state."""
    own = detector or ParlorDetector(parlor="willowmere", stalls=1)
    return own, len(own.feed(reading))


def plain_loop(keyed: Keyed) -> None:
    """Run the step as libraries of online learning do: one call a message, state in a dictionary."""
    states: dict[str, ParlorDetector] = {}
    for key, reading in keyed:
        states[key], _ = step(states.get(key), reading)


def with_bytewax(keyed: Keyed) -> None:
    """Run the step as a keyed stateful map of bytewax."""
    dataflow, operators, testing = (_library(f"bytewax.{n}") for n in ("dataflow", "operators", "testing"))
    flow = dataflow.Dataflow("parlor")
    told: list[Any] = []
    stream = operators.input("messages", flow, testing.TestingSource(keyed, batch_size=100))
    counted = operators.stateful_map("detect", stream, step)
    operators.output("results", counted, testing.TestingSink(told))
    testing.run_main(flow)


def with_streamz(keyed: Keyed) -> None:
    """Run the step as an accumulation of streamz, state in a dictionary."""
    stream = _library("streamz").Stream()
    states: dict[str, ParlorDetector] = {}

    def take(total: int, message: tuple[str, Reading]) -> int:
        states[message[0]], count = step(states.get(message[0]), message[1])
        return total + count

    stream.accumulate(take, start=0).sink(lambda _: None)
    for message in keyed:
        stream.emit(message)


FRAMEWORKS: Final[dict[str, Callable[[Keyed], None]]] = {
    "a plain loop": plain_loop,
    "bytewax": with_bytewax,
    "streamz": with_streamz,
}


def _job(record: Iterable[ReadingBatch], stalls: int) -> Callable[[], object]:
    return lambda: detect(record, stalls)


def _framework_job(work: Callable[[Keyed], None], keyed: Keyed) -> Callable[[], object]:
    return lambda: work(keyed)


def _installed(name: str) -> bool:
    return name == "a plain loop" or importlib.util.find_spec(name) is not None


def _library(name: str) -> Any:
    return importlib.import_module(name)
