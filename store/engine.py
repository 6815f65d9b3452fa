"""The database engine: opened bounded, offline and fenced, and the few ways we talk to it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Final

import duckdb

from detect.errors import StoreError
from store.faults import NO_DATABASE, fault

Value = str | int | float | bool | bytes | datetime | date | list[int | None] | None
"""What one cell can hold."""
Row = tuple[Value, ...]
"""One row in the column order of its table."""


GIVE_BACK: Final = "1MB"
"""Freed memory beyond this goes back to the system; by default some 10 MB more stayed (measured)."""
BLOCK_BYTES: Final = 65_536
"""Block of a new file [B]; a file keeps the one it was made with.

By default 262 144, which a log folded in every few seconds fills badly: a milking with three events took
280 bytes, with this 216 (131 072: 236; 32 768: 251, its texts no longer share their dictionaries).
"""


@dataclass(frozen=True, slots=True)
class StoreSettings:
    """What a history may use of its machine (engineering choices, measured on two cores).

    ``memory_limit_mb`` replaces the engine's default of 80 % of the machine's memory;
    ``checkpoint_threshold_mb`` is how much log is written before a checkpoint; the engine keeps about as
    much in memory. ``spill_limit_mb`` bounds the temporary files of a large sort.
    """

    threads: int = 2
    memory_limit_mb: int = 512
    checkpoint_threshold_mb: int = 64
    spill_limit_mb: int = 4096


DEFAULT_SETTINGS: Final = StoreSettings()
"""Settings for one parlor on a small box."""
SERVICE_SETTINGS: Final = StoreSettings(threads=1, memory_limit_mb=48, checkpoint_threshold_mb=8)
"""Settings of the running service, whose transactions are small.

A second thread made commits slower (p50 42 ms against 33) and took 15 MB. 64 MB of log took 50 MB more
memory than 16 and made commits no faster (p99 131 ms against 113 and 134), nor did 16 against 8 (102 and
93; all at a load of 6 to 8). The engine keeps what it has read of the file up to its limit. A day of 80
stalls takes 23 MB of it; to count all exposure of 2.2 million milkings anew took no longer within 32 than
within 96 MB and failed within 24, as a log of 58 MB was replayed within 24 and not within 20.
"""


def connect(path: Path, settings: StoreSettings, *, read_only: bool) -> duckdb.DuckDBPyConnection:
    """Open a database file with the settings fixed for good.

    No extension is ever fetched or loaded, no statement reaches another file, and no later
    statement can change that: only a reader's own time limit stays settable.

    Raises
    ------
    StoreError
        When the file is locked, missing, no database, or cannot be recovered.
    """
    config: dict[str, str | bool | int | float | list[str]] = {
        "threads": settings.threads,
        "memory_limit": f"{settings.memory_limit_mb}MB",
        "checkpoint_threshold": f"{settings.checkpoint_threshold_mb}MB",
        "default_block_size": BLOCK_BYTES,
        "max_temp_directory_size": f"{settings.spill_limit_mb}MB",
        "allocator_flush_threshold": GIVE_BACK,
        "allocator_bulk_deallocation_flush_threshold": GIVE_BACK,
        "autoinstall_known_extensions": False,
        "autoload_known_extensions": False,
        "allow_community_extensions": False,
        "enable_external_access": False,
    }
    if not path.parent.is_dir():
        raise StoreError("its folder does not exist", where=str(path))
    try:
        connection = duckdb.connect(path, read_only=read_only, config=config)
        connection.execute("SET GLOBAL TimeZone = 'UTC'")
        connection.execute("SET allowed_configs = ['max_execution_time']")
        connection.execute("SET lock_configuration = true")
        [(_, _, stored_at)] = connection.execute("PRAGMA database_list").fetchall()
    except duckdb.Error as error:
        raise fault(error, path, "opened") from error
    if stored_at is None:  # of a table in a file (Parquet, CSV, JSON) the engine makes a database in memory
        connection.close()
        raise StoreError(NO_DATABASE, where=str(path))
    return connection


def append_rows(connection: duckdb.DuckDBPyConnection, table: str, rows: Sequence[Row]) -> None:
    """Append rows to a table within the open transaction (2 ms for 500 rows; executemany takes 300)."""
    if rows:
        with connection.appender(table) as appender:
            appender.append_rows(rows)


def numbers(
    connection: duckdb.DuckDBPyConnection, sql: str, parameters: Sequence[Value] = ()
) -> tuple[int, ...]:
    """Return the one row of integers a statement yields.

    The result is read to its end: a half-read one blocks the connection for everything else.
    """
    rows = connection.execute(sql, list(parameters)).fetchall()
    return tuple(int(value) for value in rows[0])
