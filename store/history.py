"""The history: the one writer of a DuckDB file, where a commit is all or nothing.

Results, refused messages, watermarks and detector state go into ONE transaction. After a crash the
file therefore holds a state of the detector, the results up to it and the point each topic was read
to, and nothing else: going on from there loses nothing and stores nothing twice.
"""

from __future__ import annotations

import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from types import TracebackType
from typing import Self

import duckdb

from detect.checkpoint import Checkpoint
from detect.errors import StoreError
from store.batch import Batch, MissingFrames, Quarantined, Watermark
from store.clips import Clips
from store.detector_state import DetectorState
from store.engine import DEFAULT_SETTINGS, StoreSettings, append_rows, connect
from store.faults import fault
from store.gaps import append_gaps
from store.incident import Incident
from store.log_copy import LogCopy
from store.maintenance import MaintenanceNote, append_note
from store.migrations import migrate, require_current, schema_version
from store.progress import read_watermarks, write_watermarks
from store.quarantine import DEFAULT_LIMITS, Quarantine, QuarantineLimits
from store.results import append_results
from store.rows import instant
from store.salvage import cut_log, restore_log
from store.schema import INCIDENT

__all__ = ["Batch", "History", "MissingFrames", "Quarantined", "Watermark"]


class History:
    """One open history file; use :meth:`open` and close it, best as a context manager.

    Not thread-safe: one thread commits; a reader takes a cursor of its own (:meth:`reader`).
    After a :class:`StoreError` from :meth:`commit` close the history, open it again and restart the
    detector from its checkpoint: what was fed in memory is ahead of what is stored.
    """

    def __init__(
        self, connection: duckdb.DuckDBPyConnection, path: Path, *, limits: QuarantineLimits
    ) -> None:
        self.path = path
        self.quarantine = Quarantine(connection, limits)
        self._connection = connection
        self._state = DetectorState(connection)
        self._clips = Clips(connection)
        self._log_copy: LogCopy | None = None

    @classmethod
    def open(
        cls,
        path: Path,
        *,
        read_only: bool = False,
        settings: StoreSettings = DEFAULT_SETTINGS,
        limits: QuarantineLimits = DEFAULT_LIMITS,
    ) -> Self:
        """Open a history, creating it or bringing its schema up to date when it may be written.

        Parameters
        ----------
        path:
            The file; its folder must exist.
        read_only:
            Open without the right to write; the file must exist and be up to date.
        settings:
            Memory and threads of the engine.
        limits:
            How much refused input is kept.

        Raises
        ------
        StoreError
            When another process has the file, or it is missing, damaged, foreign or too new.
        DiskError
            When the disk is full, read-only or failing.
        """
        if read_only:
            return cls(_opened(path, settings, read_only=True), path, limits=limits)
        repaired = restore_log(path)
        try:
            connection = _opened(path, settings, read_only=False)
        except StoreError:
            repaired = _mended(path) or repaired
            connection = _opened(path, settings, read_only=False)
        history = cls(connection, path, limits=limits)
        history._follow_log(repaired)
        return history

    def _follow_log(self, repaired: Incident | None) -> None:
        """Begin to copy the log, and note what was repaired."""
        try:
            self._log_copy = LogCopy(self.path)
            if repaired is not None:
                self.note_incident(repaired)
        except BaseException:
            self.close()
            raise

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the file; what was committed stays."""
        with suppress(duckdb.Error):  # the checkpoint of a clean end may fail; the log stays then
            self._connection.close()
        if self._log_copy is not None:
            self._log_copy.close()
            self._log_copy = None

    def reader(self) -> duckdb.DuckDBPyConnection:
        """Return a cursor of its own for reading; the caller closes it.

        Raises
        ------
        StoreError
            When the history is closed or the engine has given the file up.
        """
        try:
            return self._connection.cursor()
        except duckdb.Error as error:
            raise fault(error, self.path, "read") from error

    @contextmanager
    def transaction(self) -> Iterator[duckdb.DuckDBPyConnection]:
        """Give the writing connection within one transaction; an exception undoes all of it.

        Raises
        ------
        StoreError
            When the engine refuses a row or cannot make the transaction durable.
        """
        try:
            self._connection.begin()
            yield self._connection
            self._connection.commit()
            if self._log_copy is not None:
                self._log_copy.follow()
        except duckdb.Error as error:
            self._undo()
            raise fault(error, self.path, "written") from error
        except BaseException:
            self._undo()
            raise

    def commit(self, batch: Batch) -> None:
        """Make a batch durable, all of it or nothing.

        Raises
        ------
        StoreError
            When it cannot be written; nothing of the batch is stored then.
        """
        try:
            with self.transaction() as connection:
                append_results(connection, batch.results)
                self.quarantine.append(batch.quarantined)
                append_gaps(connection, batch.parlor, batch.missing)
                write_watermarks(connection, batch.parlor, batch.watermarks)
                self._clips.append(batch.parlor, batch.vacuum, batch.results)
                if batch.checkpoint is not None:
                    self._state.write(batch.parlor, batch.checkpoint)
        except BaseException:
            self._state.forget()
            self.quarantine.forget()
            self._clips.forget()
            raise

    def watermarks(self, parlor: str) -> dict[str, Watermark]:
        """Return how far each topic of a parlor is durably stored, by full topic."""
        return read_watermarks(self._connection, parlor)

    def checkpoint(self, parlor: str) -> Checkpoint | None:
        """Return the detector state of a parlor as last committed, None when there is none."""
        return self._state.read(parlor)

    def add_maintenance(
        self, *, at_ns: int, stalls: Sequence[int] | None, what: str, note: str | None = None
    ) -> None:
        """Note work done by people, one row a stall or one row for all of them.

        Parameters
        ----------
        at_ns:
            When it was done [ns since 1970-01-01 UTC].
        stalls:
            The stalls concerned; None for the whole parlor.
        what, note:
            What was done, and anything else worth knowing.

        Raises
        ------
        InputError
            When ``what`` is empty or a stall is not a positive number.
        """
        with self.transaction() as connection:
            append_note(connection, MaintenanceNote(at_ns, stalls, what, note))

    def note_incident(self, incident: Incident, *, now_ns: int | None = None) -> None:
        """Keep what befell the store, noticed now unless told otherwise [ns since 1970-01-01 UTC].

        Raises
        ------
        StoreError
            When it cannot be written, which also tells that nothing else can be.
        """
        noticed = instant(time.time_ns() if now_ns is None else now_ns)
        with self.transaction() as connection:
            append_rows(connection, INCIDENT.name, [(noticed, incident.what.value, incident.detail)])

    def _undo(self) -> None:
        """Roll back, if there is still a transaction to roll back."""
        with suppress(duckdb.Error):
            self._connection.rollback()


def _mended(path: Path) -> Incident | None:
    """Replay a log with more memory, since too little of it can look like damage; else cut the log."""
    try:
        _opened(path, DEFAULT_SETTINGS, read_only=False).close()
    except StoreError as error:
        return cut_log(path, error)
    return None


def _opened(path: Path, settings: StoreSettings, *, read_only: bool) -> duckdb.DuckDBPyConnection:
    """Open the file and see that its schema is ours, bringing it up to date when it may be written."""
    connection = connect(path, settings, read_only=read_only)
    try:
        require_current(schema_version(connection), writable=not read_only)
        if not read_only:
            migrate(connection)
    except StoreError as error:
        connection.close()
        raise StoreError(error.what, where=str(path)) from error
    except duckdb.Error as error:
        connection.close()
        raise fault(error, path, "read") from error
    return connection
