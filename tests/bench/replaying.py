"""A capture to tables through the command line: times real time, and where the time goes."""

from __future__ import annotations

import os
import shutil
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any, Final

from detect.batch import ReadingBatch
from detect.parlor import ParlorDetector
from detect.readings import CowAtStall
from ingest.capture import CaptureWriter, read_parts
from ingest.decode import Decoder, Frame
from ingest.lanes import Lanes
from ingest.pipeline import Pipeline
from ingest.replay import in_pieces, replay
from ingest.sequencer import Sequencer
from ingest.usual import Decoded, decode_all
from ingest.wire import Message
from simulator.rotary import simulate
from store.batch import Batch
from store.history import History
from tests.bench.figures import Row, Size, significant
from tests.bench.recording import messages, scenario

PART: Final = "replay"
BAR: Final = 400.0


class WatchedHistory(History):
    """A history that adds up the processor time of its commits [s]."""

    spent_s = 0.0

    def commit(self, batch: Batch) -> None:
        """Commit, and count the time."""
        begun_s = time.process_time()
        super().commit(batch)
        self.spent_s += time.process_time() - begun_s


def measure(size: Size) -> Iterator[Row]:
    """Measure the command as a process of its own, then its stages."""
    sent = messages(size.stalls, size.replay_s)
    folder = Path(tempfile.mkdtemp())
    try:
        few = _captured(folder / "few.parquet", sent[:500])
        capture = _captured(folder / "capture.parquet", sent)
        long = _captured(folder / "long.parquet", simulate(scenario(size.stalls, size.long_replay_s)))
        start_cpu_s, _ = _median(lambda: _command(few), size.runs)  # of so few that little else is left
        yield from _rates(capture, size, size.replay_s, start_cpu_s)
        yield from _rates(long, size, size.long_replay_s, start_cpu_s)
        yield from _stages(capture, sent, size)
    finally:
        shutil.rmtree(folder)


def _captured(path: Path, sent: Iterable[Message]) -> Path:
    with CaptureWriter(path) as writer:
        for message in sent:
            writer.write(message)
    return path


def _rates(capture: Path, size: Size, seconds: int, start_cpu_s: float) -> Iterator[Row]:
    """Time the command, and tell what it takes with its start and without."""
    cpu_s, clock_s = _median(lambda: _command(capture), size.runs)
    what = f"{size.stalls} stalls at 100 Hz, {seconds} s of signal"
    rate = seconds / cpu_s
    figure = (
        f"{significant(rate)} times real time on a core: {significant(cpu_s)} s "
        f"({significant(seconds / clock_s)} times by the clock)"
    )
    yield Row(PART, f"{what}, start included", figure, f"{BAR:.0f} times", rate >= BAR)
    rate = seconds / (cpu_s - start_cpu_s)
    figure = f"{significant(rate)} times real time on a core"
    yield Row(
        PART, f"{what}, less the {start_cpu_s:.1f} s of a start", figure, f"{BAR:.0f} times", rate >= BAR
    )


def _median(work: Callable[[], tuple[float, float]], runs: int) -> tuple[float, float]:
    """Return the medians of processor and clock [s]."""
    found = [work() for _ in range(runs)]
    return statistics.median(cpu for cpu, _ in found), statistics.median(clock for _, clock in found)


def _command(capture: Path) -> tuple[float, float]:
    """Run the program into a new history; return what it took of processors and of the clock [s].

    It keeps its byte code as an installed program does, also where the environment says otherwise.
    """
    database = capture.parent / "history.duckdb"
    for old in capture.parent.glob("history.duckdb*"):
        old.unlink()
    environment = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    command = [sys.executable, "-m", "dashboards.main", "replay", str(capture), "--db", str(database)]
    with Path(os.devnull).open("w") as nowhere:
        to_nowhere = [(os.POSIX_SPAWN_DUP2, nowhere.fileno(), place) for place in (1, 2)]
        begun_s = time.perf_counter()
        pid = os.posix_spawn(sys.executable, command, environment, file_actions=to_nowhere)
        _, status, used = os.wait4(pid, 0)
    assert status == 0, f"{' '.join(command)} ended with {status}"
    return used.ru_utime + used.ru_stime, time.perf_counter() - begun_s


def _stages(capture: Path, sent: Sequence[Message], size: Size) -> Iterator[Row]:
    """Take the stages of the same work one by one."""
    found = [_one_by_one(capture, sent, size.stalls) for _ in range(size.runs)]
    whole_s = statistics.median(run["all"] for run in found)
    cells = [
        f"{name} {100.0 * statistics.median(run[name] for run in found) / whole_s:.0f} %"
        for name in ("read", "decode", "sequence", "detect", "store")
    ]
    what = "where the time goes, the rest is joining them"
    yield Row(PART, what, ", ".join(cells) + f"; {1e6 * whole_s / len(sent):.0f} µs a message in all")


def _one_by_one(capture: Path, sent: Sequence[Message], stalls: int) -> dict[str, float]:
    """Return the processor time [s] of each stage alone and of the whole."""
    root, parlor = sent[0].topic.split("/")[:2]
    decoder = Decoder(root, parlor, stalls)
    spent: dict[str, float] = {}
    read = _timed(spent, "read", lambda: list(in_pieces(read_parts(capture))))
    batches = _timed(spent, "decode", lambda: [decode_all(decoder, batch) for batch in read])
    sequencer = Sequencer({})
    _timed(spent, "sequence", lambda: [put_in_order(sequencer, batch) for batch in batches])
    detector = ParlorDetector(parlor=parlor, stalls=stalls)
    ready = [readings_of(batch) for batch in batches]
    _timed(spent, "detect", lambda: [detector.feed_batch(batch) for batch in ready])
    folder = Path(tempfile.mkdtemp())
    try:
        with WatchedHistory.open(folder / "farm.duckdb") as history:
            fresh = ParlorDetector(parlor=parlor, stalls=stalls)
            pipeline = Pipeline.open(history=history, detector=fresh, decoder=decoder)
            _timed(spent, "all", lambda: replay(read_parts(capture), pipeline))
            spent["store"] = history.spent_s
    finally:
        shutil.rmtree(folder)
    return spent


def put_in_order(sequencer: Sequencer, batch: Decoded) -> None:
    """Put the frames of a batch in order, as the pipeline does."""
    lanes, at = Lanes(sequencer, batch), 0
    while (at := lanes.run(at)) < len(batch):
        frame = batch.frame(at)
        if isinstance(frame, Frame):
            lanes.push(frame)
        at += 1
    lanes.close()


def readings_of(batch: Decoded) -> ReadingBatch:
    """Return all readings of a batch in order of arrival."""
    pieces: list[ReadingBatch] = []
    for at, read in enumerate(batch.stamps["read"].tolist()):
        frame = None if read else batch.others[at]
        if read:
            pieces.append(batch.readings.part(at, at + 1))
        elif isinstance(frame, Frame) and isinstance(frame.content, CowAtStall):
            pieces.append(ReadingBatch.of([frame.content]))
    return ReadingBatch.join(pieces)


def _timed(spent: dict[str, float], name: str, work: Callable[[], Any]) -> Any:
    """Do some work, note its processor time under a name, return its result."""
    begun_s = time.process_time()
    result = work()
    spent[name] = time.process_time() - begun_s
    return result
