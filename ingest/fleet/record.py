"""What is known of a parlor's finished days, beside the tables: ``_runs/parlor=NAME`` in the fleet's folder.

``record.json`` names for each day the key of all that its result follows from, and the files it wrote.
``DAY.state`` is what the next day takes up. The record is written last: a day that is not in it has
not been, whatever lies about.
"""

from __future__ import annotations

import base64
import json
import os
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any, Final

import zstandard
from pydantic import TypeAdapter, ValidationError

from detect.checkpoint import Checkpoint
from detect.errors import CheckpointError
from detect.results import ConditionEvent
from store.batch import Watermark
from store.fleet.ledger import Carried

RUNS: Final = "_runs"


@dataclass(frozen=True, slots=True)
class Failure:
    """Something that could not be used: of which parlor and day, which file (empty for all), and why.

    ``ours`` marks a fault of this program rather than of the data.
    """

    parlor: str
    date: str
    file: str
    what: str
    ours: bool = False


@dataclass(frozen=True, slots=True)
class DayRecord:
    """One finished day, or the tables of a barn.

    Attributes
    ----------
    key:
        Digest of all that the result follows from.
    told, open:
        Files written, relative to the fleet's folder: for good, and until the next day comes.
    ended:
        Whether this day was the last one and its record was therefore closed.
    messages:
        Messages read.
    failures:
        What could not be used.
    """

    key: str
    told: tuple[str, ...] = ()
    open: tuple[str, ...] = ()
    ended: bool = False
    messages: int = 0
    failures: tuple[Failure, ...] = ()


@dataclass(frozen=True, slots=True)
class ParlorRecord:
    """All finished days of one parlor, by ISO day, the tables of the barn, and the stalls ever found.

    The number of stalls outlives the captures from which it was told: with fewer stalls what a day left
    would fit the next one no more.
    """

    days: Mapping[str, DayRecord] = field(default_factory=dict)
    tables: DayRecord | None = None
    stalls: int = 0

    def before(self, date: str) -> str | None:
        """Return the latest finished day before another one, None when there is none."""
        return max((day for day in self.days if day < date), default=None)

    def with_day(self, date: str, day: DayRecord) -> ParlorRecord:
        """Return the record with one day replaced."""
        return replace(self, days={**self.days, date: day})

    def failures(self) -> list[Failure]:
        """Return what could not be used."""
        parts = [*self.days.values(), *([self.tables] if self.tables else [])]
        return [failure for part in parts for failure in part.failures]


_RECORD: Final = TypeAdapter(ParlorRecord)
_CONDITIONS: Final = TypeAdapter(tuple[ConditionEvent, ...])


def load_record(out: Path, parlor: str) -> ParlorRecord:
    """Read a parlor's record; one that is missing or unreadable is empty, and its days are done anew."""
    try:
        return _RECORD.validate_json((_folder(out, parlor) / "record.json").read_bytes())
    except (FileNotFoundError, ValidationError):
        return ParlorRecord()


def save_record(out: Path, parlor: str, record: ParlorRecord) -> None:
    """Write a parlor's record, whole or not at all."""
    _replace(_folder(out, parlor) / "record.json", _RECORD.dump_json(record, indent=1))


def save_state(out: Path, parlor: str, date: str, carried: Carried) -> None:
    """Keep what the day after takes up."""
    state = {
        "checkpoint": _checkpoint_json(carried.checkpoint),
        "watermarks": {topic: [m.boot, m.seq, m.t_ns] for topic, m in carried.watermarks.items()},
        "conditions": [asdict(condition) for condition in carried.conditions],
    }
    _replace(_state_path(out, parlor, date), zstandard.compress(json.dumps(state).encode()))


def load_state(out: Path, parlor: str, date: str) -> Carried:
    """Read what a day left.

    Raises
    ------
    CheckpointError
        When it is missing or damaged.
    """
    path = _state_path(out, parlor, date)
    try:
        state = json.loads(zstandard.decompress(path.read_bytes()))
        return Carried(
            checkpoint=_checkpoint(state["checkpoint"]),
            watermarks={topic: Watermark(*mark) for topic, mark in state["watermarks"].items()},
            conditions=_CONDITIONS.validate_python(state["conditions"]),
        )
    except (OSError, zstandard.ZstdError, ValueError, KeyError, TypeError) as error:
        raise CheckpointError("what the day left is gone; use --again", where=str(path)) from error


def _checkpoint_json(checkpoint: Checkpoint | None) -> list[Any] | None:
    if checkpoint is None:
        return None
    blobs = {stall: base64.b64encode(blob).decode() for stall, blob in checkpoint.blobs.items()}
    return [checkpoint.version, checkpoint.digest, blobs]


def _checkpoint(state: list[Any] | None) -> Checkpoint | None:
    if state is None:
        return None
    version, digest, blobs = state
    return Checkpoint(version, digest, {int(stall): base64.b64decode(blob) for stall, blob in blobs.items()})


def _folder(out: Path, parlor: str) -> Path:
    return out / RUNS / f"parlor={parlor}"


def _state_path(out: Path, parlor: str, date: str) -> Path:
    return _folder(out, parlor) / f"{date}.state"


def _replace(path: Path, content: bytes) -> None:
    """Write a file under its name when it is complete."""
    path.parent.mkdir(parents=True, exist_ok=True)
    unfinished = path.with_name(f".{path.name}.{os.getpid()}")
    unfinished.write_bytes(content)
    unfinished.replace(path)
