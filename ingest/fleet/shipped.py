"""Tables exported in a barn, taken over where the fleet has nothing of its own.

What people noted (``maintenance``) is always taken over. Detected rows are taken over for days of which
no capture was shipped, so that a barn may send tables all year and captures when someone asks.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from pathlib import Path

import polars as pl

from detect.errors import InputError
from ingest.fleet.layout import TABLES_NAME, ParlorTask
from ingest.fleet.record import DayRecord, Failure, ParlorRecord
from store.fleet.partitions import PARTITIONED, Origin, Place, time_column, write_frames
from store.foreign import read_foreign
from store.schema import MAINTENANCE, Table


def take_tables(task: ParlorTask, record: ParlorRecord) -> DayRecord:
    """Write a barn's own tables as partitions, unless that was done.

    Parameters
    ----------
    task:
        The parlor's task, with a folder of tables.
    record:
        The parlor's finished days: they are not taken from the barn.
    """
    folder = task.tables or Path(TABLES_NAME)
    own_days = sorted({*record.days, *(day.date for day in task.days)})
    key = _key(folder, own_days)
    if record.tables is not None and record.tables.key == key and not task.again:
        return record.tables
    failures: list[Failure] = []
    frames = dict(_usable(task, folder, own_days, failures))
    told = write_frames(frames, Place(task.out, task.parlor, "shipped"), Origin())
    return DayRecord(key, tuple(told), ended=True, failures=tuple(failures))


def _usable(
    task: ParlorTask, folder: Path, own_days: list[str], failures: list[Failure]
) -> Iterator[tuple[Table, pl.DataFrame]]:
    """Give each table's rows of this parlor on days that the fleet has not worked through itself."""
    for table in PARTITIONED:
        if not (folder / table.name).is_dir():
            continue
        try:
            foreign = read_foreign(folder / table.name, table)
        except InputError as error:
            failures.append(Failure(task.parlor, "", f"{TABLES_NAME}/{table.name}", error.what))
            continue
        for reason, count in foreign.refused.items():
            told = f"{count} rows refused: {reason}"
            failures.append(Failure(task.parlor, "", f"{TABLES_NAME}/{table.name}", told))
        yield table, foreign.rows.filter(_wanted(table, task.parlor, own_days))


def _wanted(table: Table, parlor: str, own_days: list[str]) -> pl.Expr:
    """Return which rows of a barn's table are taken over."""
    if table is MAINTENANCE:
        return pl.lit(value=True)
    wanted = ~pl.col(time_column(table)).dt.date().cast(pl.String).is_in(own_days)
    return wanted & (pl.col("parlor") == parlor) if "parlor" in table.column_names else wanted


def _key(folder: Path, own_days: list[str]) -> str:
    """Return the digest of what the result follows from: the tables are small enough to be read."""
    digest = hashlib.sha256(repr(own_days).encode())
    for file in sorted(folder.rglob("*.parquet")):
        digest.update(file.relative_to(folder).as_posix().encode() + b"\0")
        digest.update(hashlib.sha256(file.read_bytes()).digest())
    return digest.hexdigest()
