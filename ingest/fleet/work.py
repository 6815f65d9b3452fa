"""The steps of a parlor's task, one a day and in order: the same functions under every engine.

A step that was done before with the same detector, settings, captures and days before it is not done
again. Steps hand on through files, so a task that was killed goes on at the day it had reached.
"""

from __future__ import annotations

import hashlib
import traceback
from collections import defaultdict
from dataclasses import dataclass, replace
from enum import StrEnum
from pathlib import Path
from typing import Final

from detect.errors import QuietclawError
from detect.params import DETECTOR_VERSION
from ingest.detector import make_detector
from ingest.fleet.file import detect_file, end_record
from ingest.fleet.layout import Day, ParlorTask
from ingest.fleet.record import (
    DayRecord,
    Failure,
    ParlorRecord,
    load_record,
    load_state,
    save_record,
    save_state,
)
from ingest.fleet.shipped import take_tables
from store.engine import Row
from store.fleet.ledger import Carried
from store.fleet.partitions import PARTITIONED, Origin, Place, partition_schema, remove_files, write_rows

PROBE_BYTES: Final = 65_536
"""Read from either end of a file to know it again: a Parquet file's table of contents is at its end."""


class Outcome(StrEnum):
    """What a step came to."""

    DONE = "done"
    KEPT = "kept"
    """It had been done before and nothing has changed since."""
    FAILED = "failed"
    """The parlor goes no further."""


@dataclass(frozen=True, slots=True)
class StepReport:
    """What one step of a parlor's task came to; ``date`` is empty for the barn's tables."""

    parlor: str
    date: str
    outcome: Outcome
    messages: int = 0
    failures: tuple[Failure, ...] = ()


def run_step(task: ParlorTask, step: int) -> StepReport:
    """Do one step of a parlor's task; those before it must have been done.

    Parameters
    ----------
    task:
        The parlor's task.
    step:
        0 for the first day and so on; after the last day come the barn's tables, if there are any.
    """
    date = task.days[step].date if step < len(task.days) else ""
    try:
        return _day_step(task, task.days[step]) if date else _tables_step(task)
    except (QuietclawError, OSError) as error:
        failure = Failure(task.parlor, date, str(getattr(error, "where", "")), _one_line(error))
    except Exception as error:
        told = "".join(traceback.format_exception(error))
        failure = Failure(task.parlor, date, "", f"fault of quietclaw: {told}", ours=True)
    return StepReport(task.parlor, date, Outcome.FAILED, failures=(failure,))


def _one_line(error: Exception) -> str:
    return str(getattr(error, "what", error))


def _day_step(task: ParlorTask, day: Day) -> StepReport:
    """Work through a day, unless that was done."""
    record = load_record(task.out, task.parlor)
    before = record.before(day.date)
    last = day.date == max([*record.days, *(known.date for known in task.days)])
    key = _key(task, day, record.days[before].key if before else "")
    known = record.days.get(day.date)
    if known is not None and known.key == key and not task.again and (known.ended or not last):
        _reopen(task, record, day.date, last=last)
        return StepReport(task.parlor, day.date, Outcome.KEPT, 0, known.failures)
    carried = load_state(task.out, task.parlor, before) if before else Carried()
    done = _work_through(task, day, carried, key=key, last=last)
    record = replace(record.with_day(day.date, done), stalls=task.config.parlor.stalls)
    save_record(task.out, task.parlor, record)
    if known is not None:
        remove_files(task.out, sorted({*known.told, *known.open} - {*done.told, *done.open}))
    return StepReport(task.parlor, day.date, Outcome.DONE, done.messages, done.failures)


def _reopen(task: ParlorTask, record: ParlorRecord, date: str, *, last: bool) -> None:
    """Take back what closing the record told, now that another day follows."""
    known = record.days[date]
    if last or not known.ended:
        return
    reopened = replace(known, open=(), ended=False)
    save_record(task.out, task.parlor, record.with_day(date, reopened))
    remove_files(task.out, known.open)


def _work_through(task: ParlorTask, day: Day, carried: Carried, *, key: str, last: bool) -> DayRecord:
    """Work through the files of a day and write what they tell."""
    rows: dict[str, list[Row]] = defaultdict(list)
    failures: list[Failure] = []
    messages = 0
    for file in day.files:
        result = detect_file(file, carried, task.config)
        carried = result.carried
        messages += result.messages
        for table, those in result.rows.items():
            rows[table] += those
        if result.fault:
            failures.append(Failure(task.parlor, day.date, file.name, result.fault))
    save_state(task.out, task.parlor, day.date, carried)
    return DayRecord(
        key=key,
        told=_write(task, rows, f"told-{day.date}"),
        open=_write(task, end_record(carried, task.config), f"open-{day.date}") if last else (),
        ended=last,
        messages=messages,
        failures=tuple(failures),
    )


def _write(task: ParlorTask, rows: dict[str, list[Row]], name: str) -> tuple[str, ...]:
    origin = Origin(DETECTOR_VERSION, make_detector(task.config).params.digest)
    return tuple(write_rows(rows, Place(task.out, task.parlor, name), origin))


def _tables_step(task: ParlorTask) -> StepReport:
    """Take over what the barn itself exported."""
    record = load_record(task.out, task.parlor)
    done, outcome = take_tables(task, record), Outcome.DONE
    if record.tables is not None:
        outcome = Outcome.KEPT if done == record.tables else Outcome.DONE
        remove_files(task.out, sorted({*record.tables.told} - {*done.told}))
    save_record(task.out, task.parlor, replace(record, tables=done))
    return StepReport(task.parlor, "", outcome, 0, done.failures)


def _key(task: ParlorTask, day: Day, before: str) -> str:
    """Return the digest of all that a day's result follows from."""
    digest = hashlib.sha256()
    label, columns = make_detector(task.config).label, repr([*map(partition_schema, PARTITIONED)])
    for part in (label, columns, task.config.broker.root, task.config.parlor.model_dump_json(), before):
        digest.update(part.encode() + b"\0")
    for file in day.files:
        digest.update(_probe(file))
    return digest.hexdigest()


def _probe(file: Path) -> bytes:
    """Return name, size, beginning and end of a file: all of it is not read only to know it again."""
    size = file.stat().st_size
    with file.open("rb") as stream:
        begin = stream.read(PROBE_BYTES)
        stream.seek(max(0, size - PROBE_BYTES))
        return f"{file.name}\0{size}\0".encode() + begin + stream.read(PROBE_BYTES)
