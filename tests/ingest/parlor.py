"""A parlor's messages made by hand, and a detector that only counts: what it says can be checked."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import duckdb

from detect.batch import ReadingBatch
from detect.checkpoint import Checkpoint
from detect.errors import CheckpointError
from detect.kinds import Condition
from detect.readings import PlantVacuum, Reading
from detect.results import ConditionEvent, Result
from ingest.decode import Decoder
from ingest.wire import CowPayload, FlowPayload, Message, StreamKind, VacuumPayload, plant_topic, stall_topic

ROOT = "milking"
PARLOR = "willowmere"
STALLS = 4
DECODER = Decoder(ROOT, PARLOR, STALLS)
START_MS = 1_790_000_000_000
NAMES = {"root": ROOT, "parlor": PARLOR}


@dataclass
class CountingDetector:
    """Tell every tenth reading of a stall, and at the end of the record what is left over.

    The state is the counts and a checksum of all reading times in order, so that any reading lost,
    doubled or disordered across a restart shows in the next result.
    """

    version: int = 1
    counts: dict[int, int] = field(default_factory=dict)
    sums: dict[int, int] = field(default_factory=dict)

    def feed_batch(self, batch: ReadingBatch) -> list[Result]:
        """Count readings, one after the other."""
        return [result for reading in batch.readings() for result in self._count(reading)]

    def _count(self, reading: Reading) -> list[Result]:
        """Count a reading; the plant is stall 0."""
        stall = 0 if isinstance(reading, PlantVacuum) else reading.stall
        self.counts[stall] = self.counts.get(stall, 0) + 1
        self.sums[stall] = (31 * self.sums.get(stall, 0) + reading.t_ns) % 1_000_003
        return [self._tell(stall, reading.t_ns)] if self.counts[stall] % 10 == 0 else []

    def flush(self) -> list[Result]:
        """Tell the counts that are not whole tens, once."""
        left = [stall for stall, count in sorted(self.counts.items()) if count % 10]
        results: list[Result] = [self._tell(stall, START_MS * 1_000_000) for stall in left]
        for stall in left:
            self.counts[stall] = 0
        return results

    def checkpoint(self) -> Checkpoint:
        """Return counts and checksums, a blob a stall."""
        blobs = {stall: json.dumps([self.counts[stall], self.sums[stall]]).encode() for stall in self.counts}
        return Checkpoint(self.version, "counting", {0: b"[0, 0]", **blobs})

    def restore(self, checkpoint: Checkpoint) -> None:
        """Take up counts and checksums of the same version."""
        if checkpoint.version != self.version:
            raise CheckpointError("another version")
        for stall, blob in checkpoint.blobs.items():
            self.counts[stall], self.sums[stall] = json.loads(blob)

    def _tell(self, stall: int, t_ns: int) -> ConditionEvent:
        evidence = f"{self.counts[stall]} readings, checksum {self.sums[stall]}"
        return ConditionEvent(PARLOR, stall, t_ns, t_ns, t_ns, Condition.SENSOR_FROZEN, evidence)


def vacuum(stall: int | None, seq: int, *, boot: str | None = None) -> Message:
    """Return a vacuum frame of half a second, received 40 ms after its end."""
    t_ms = START_MS + 500 * seq
    payload = VacuumPayload(seq=seq, t_ms=t_ms, boot=boot, rate_hz=50.0, kpa=[42.0 + 0.1 * (seq % 7)] * 25)
    kind = StreamKind.VACUUM
    topic = plant_topic(**NAMES, kind=kind) if stall is None else stall_topic(**NAMES, stall=stall, kind=kind)
    return Message((t_ms + 540) * 1_000_000, topic, payload.to_bytes())


def flow(stall: int, seq: int) -> Message:
    """Return a flow reading, received at once."""
    t_ms = START_MS + 1000 * seq
    topic = stall_topic(**NAMES, stall=stall, kind=StreamKind.FLOW)
    return Message(t_ms * 1_000_000, topic, FlowPayload(seq=seq, t_ms=t_ms, kg_min=2.5).to_bytes())


def cow(stall: int, seq: int, name: str | None) -> Message:
    """Return who stands at a stall, received at once."""
    t_ms = START_MS + 1000 * seq
    topic = stall_topic(**NAMES, stall=stall, kind=StreamKind.COW)
    return Message(t_ms * 1_000_000, topic, CowPayload(seq=seq, t_ms=t_ms, cow=name).to_bytes())


def broken(seq: int) -> Message:
    """Return a message that is no JSON."""
    return Message((START_MS + 500 * seq + 541) * 1_000_000, f"{ROOT}/{PARLOR}/stall/1/flow", b"{no json")


def record(seconds: int) -> list[Message]:
    """Return a record of the whole parlor, sorted by receive time."""
    messages: list[Message] = []
    for seq in range(2 * seconds):
        messages += [vacuum(stall, seq) for stall in (None, *range(1, STALLS + 1))]
    for seq in range(seconds):
        messages += [flow(stall, seq) for stall in range(1, STALLS + 1)]
    messages += [cow(stall, 0, f"cow{stall}") for stall in range(1, STALLS + 1)]
    return sorted(messages, key=lambda message: message.recv_ns)


def tables(path: Path) -> dict[str, list[tuple[object, ...]]]:
    """Return the rows of every table a pipeline writes, in a comparable order."""
    with duckdb.connect(str(path), read_only=True) as connection:
        return {name: sorted(rows(connection, name), key=repr) for name in ("condition_event", "quarantine")}


def rows(connection: duckdb.DuckDBPyConnection, table: str) -> Iterator[tuple[object, ...]]:
    """Return the rows of a table."""
    yield from connection.table(table).fetchall()
