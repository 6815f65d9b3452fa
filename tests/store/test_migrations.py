"""A file is brought up to date step by step, and never by an older program."""

from __future__ import annotations

from pathlib import Path

import duckdb
import pytest

from detect.errors import StoreError
from store.history import History
from store.log_copy import log_path
from store.migrations import STEPS, VERSION, migrate, schema_version
from tests.store.drawn import rows


def test_every_step_is_written_down(history: History) -> None:
    """A new file has run all steps, each recorded once."""
    assert rows(history, "FROM schema_version ORDER BY ALL") == [(n,) for n in range(1, VERSION + 1)]


def test_a_file_of_any_former_version_ends_the_same(tmp_path: Path) -> None:
    """Migrating in two sittings gives the schema that one sitting gives."""
    schemas = []
    for stop in range(len(STEPS) + 1):
        with duckdb.connect(tmp_path / f"{stop}.duckdb") as connection:
            migrate(connection, steps=STEPS[:stop])
            assert schema_version(connection) == stop
            migrate(connection)
            schemas.append(connection.execute("SELECT sql FROM sqlite_master ORDER BY ALL").fetchall())
    assert all(schema == schemas[0] for schema in schemas)


def test_a_step_that_fails_leaves_the_step_before(tmp_path: Path) -> None:
    """A broken step is undone as a whole; the steps before it stay."""
    broken = (*STEPS, "CREATE TABLE half (n INTEGER); SELECT error('broken')")
    with duckdb.connect(tmp_path / "broken.duckdb") as connection:
        with pytest.raises(duckdb.Error, match="broken"):
            migrate(connection, steps=broken)
        assert schema_version(connection) == VERSION
        assert connection.execute("FROM duckdb_tables() WHERE table_name = 'half'").fetchall() == []


def test_no_step_is_left_to_the_log(path: Path) -> None:
    """After each step the log is empty: what changed the schema never needs to be replayed."""
    for stop in range(1, len(STEPS) + 1):
        with duckdb.connect(path) as connection:
            migrate(connection, steps=STEPS[:stop])
            log = log_path(path)
            assert not log.exists() or log.stat().st_size == 0


def test_a_file_that_is_up_to_date_opens_in_every_way(path: Path) -> None:
    """Nothing is refused and nothing is done again when the versions agree."""
    with History.open(path) as history:
        before = rows(history, "FROM schema_version ORDER BY ALL")
    for read_only in (False, True):
        with History.open(path, read_only=read_only) as history:
            assert rows(history, "FROM schema_version ORDER BY ALL") == before


def test_a_file_from_a_newer_program_is_refused(path: Path) -> None:
    """The error says that the program is the older one; the file is not touched."""
    with History.open(path) as history, history.transaction() as connection:
        connection.execute("INSERT INTO schema_version VALUES (999)")
    with pytest.raises(StoreError, match=r"schema version 999.*program is older than the file") as error:
        History.open(path)
    assert error.value.exit_code == 3
    assert str(path) in str(error.value)


def test_reading_an_older_file_says_how_to_bring_it_up_to_date(path: Path) -> None:
    """A file opened for reading cannot be migrated, so the error says what will."""
    with History.open(path) as history, history.transaction() as connection:
        connection.execute("DELETE FROM schema_version WHERE version > 1")
    with pytest.raises(StoreError, match="open it once for writing"):
        History.open(path, read_only=True)


def test_another_programs_database_is_refused(path: Path) -> None:
    """A database with tables that are not ours is not taken over."""
    with duckdb.connect(path) as connection:
        connection.execute("CREATE TABLE orders (n INTEGER)")
    with pytest.raises(StoreError, match="tables of another program"):
        History.open(path)
