"""Three small parlors that are milked over midnight, shipped in files that are cut mid-milking."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from itertools import groupby
from pathlib import Path

import polars as pl

from ingest.capture import CaptureWriter
from ingest.config import Config, ParlorConfig
from ingest.detector import make_detector
from ingest.messages import Messages
from ingest.pipeline import Pipeline
from ingest.replay import replay
from ingest.wire import Message
from simulator.faults import Fault, FaultKind
from simulator.rotary import simulate
from simulator.scenario import plain
from store.fleet.ledger import LEDGER_TABLES
from store.fleet.partitions import read_partitions
from store.history import History

S = 10**9
MIDNIGHT_NS = int(datetime(2031, 3, 4, tzinfo=UTC).timestamp()) * S
FIRST_DAY, SECOND_DAY = "2031-03-03", "2031-03-04"


@dataclass(frozen=True, slots=True)
class Barn:
    """A parlor and what its devices sent."""

    parlor: str
    stalls: int
    messages: tuple[Message, ...]


def barn(parlor: str, *, seed: int, stalls: int, minutes: float) -> Barn:
    """Simulate a loaded parlor half before and half after midnight, at which the plant dips.

    It has a bad liner, an arm that does not carry, a sensor that is stuck over midnight, and rubbish.
    """
    length_s = round(60.0 * minutes)
    base = plain(seed=seed, stalls=stalls, hours=length_s / 3600.0)
    scenario = replace(
        base,
        parlor=parlor,
        start_ns=MIDNIGHT_NS - length_s * S // 2,
        loaded=True,
        faults=(
            Fault(FaultKind.BAD_LINER, 2, 0.0, length_s, 8.0),
            Fault(FaultKind.ARM_UNSUPPORTED, 3, 0.0, length_s, 0.1),
            Fault(FaultKind.PLANT_DIP, None, 0.25 * length_s, 0.25 * length_s + 3.0, 4.0),
            Fault(FaultKind.PLANT_DIP, None, 0.5 * length_s - 2.0, 0.5 * length_s + 2.0, 5.0),
            Fault(FaultKind.FROZEN_SENSOR, 1, 0.4 * length_s, 0.6 * length_s),
        ),
    )
    messages = list(simulate(scenario))
    for place in (100, len(messages) // 2, len(messages) - 100):
        near = messages[place]
        messages.insert(place, Message(near.recv_ns + 1, near.topic, b"{no json"))
    return Barn(parlor, stalls, tuple(messages))


def three_barns(*, minutes: float = 9.0) -> list[Barn]:
    """Return three parlors of different sizes."""
    names = ("willowmere", "ferncroft", "oakhollow")
    return [barn(name, seed=60 + n, stalls=4 + n, minutes=minutes) for n, name in enumerate(names)]


def lay(barns: Sequence[Barn], captures: Path, *, cut_s: int = 150) -> None:
    """Lay the captures of barns out for a fleet, a file each few minutes."""
    for one in barns:
        for start, part in groupby(one.messages, key=lambda m: (m.recv_ns - MIDNIGHT_NS) // (cut_s * S)):
            moment = datetime.fromtimestamp(MIDNIGHT_NS // S + start * cut_s, UTC)
            folder = captures / one.parlor / f"{moment:%Y-%m-%d}"
            folder.mkdir(parents=True, exist_ok=True)
            with CaptureWriter(folder / f"{moment:%H%M%S}.parquet") as writer:
                for message in part:
                    writer.write(message)


def fleet_tables(out: Path) -> dict[str, pl.DataFrame]:
    """Return the tables of a fleet with the columns of a history, and the parlor first where it has none."""
    return {table.name: _plain(read_partitions(out, table), table.column_names) for table in LEDGER_TABLES}


def replayed_tables(barns: Sequence[Barn], folder: Path) -> dict[str, pl.DataFrame]:
    """Return the tables of one history a parlor, each filled by one replay of the whole record."""
    parts: dict[str, list[pl.DataFrame]] = {table.name: [] for table in LEDGER_TABLES}
    for one in barns:
        config = Config(parlor=ParlorConfig(name=one.parlor, stalls=one.stalls))
        with History.open(folder / f"{one.parlor}.duckdb") as history:
            replay(
                [Messages.of(one.messages)],
                Pipeline.open(history=history, detector=make_detector(config), decoder=config.decoder()),
            )
            for table in LEDGER_TABLES:
                frame = pl.DataFrame(history.reader().sql(f"FROM {table.name}"))
                named = frame.with_columns(pl.lit(one.parlor).alias("parlor"))
                parts[table.name].append(_plain(named, table.column_names))
    return {name: _plain(pl.concat(frames), frames[0].columns) for name, frames in parts.items()}


def digest(tables: dict[str, pl.DataFrame]) -> str:
    """Return one hash of all rows of all tables."""
    whole = hashlib.sha256()
    for name, frame in sorted(tables.items()):
        whole.update(f"{name} {frame.columns}\n".encode())
        for row in frame.iter_rows():
            whole.update(repr(row).encode())
    return whole.hexdigest()


def _plain(frame: pl.DataFrame, columns: Sequence[str]) -> pl.DataFrame:
    wanted = ["parlor", *(name for name in columns if name != "parlor")]
    return frame.select(wanted).sort(wanted, nulls_last=True)
