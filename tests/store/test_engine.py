"""What keeps a file from being opened is said in one line, with what to do."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import duckdb
import pytest

from detect.errors import StoreError
from store.engine import BLOCK_BYTES, StoreSettings, append_rows, connect, numbers
from store.history import History
from store.migrations import migrate
from tests.store.drawn import full_batch


def test_a_second_process_is_told_who_has_the_file(path: Path) -> None:
    """The error names the process that holds the file and what to do."""
    script = (
        "import sys\nfrom pathlib import Path\nfrom store.history import History\n"
        "from detect.errors import StoreError\n"
        "try:\n    History.open(Path(sys.argv[1]), read_only=True)\n"
        "except StoreError as error:\n    print(error)\n"
    )
    with History.open(path):
        other = subprocess.run(  # noqa: S603 - our own script
            [sys.executable, "-c", script, str(path)],
            cwd=Path(__file__).parents[2],
            capture_output=True,
            text=True,
            check=True,
        )
    assert "another process uses it" in other.stdout
    assert "(PID " in other.stdout
    assert "ask through --url or stop the service" in other.stdout
    assert other.stdout.count("\n") == 1


@pytest.mark.parametrize("content", [b"", b"no database at all" * 1000], ids=["empty", "text"])
def test_a_file_that_is_no_database_is_refused_in_one_line(path: Path, content: bytes) -> None:
    """Anything else under that name is left alone and named in one line."""
    path.write_bytes(content)
    with pytest.raises(StoreError, match="not a quietclaw history") as error:
        History.open(path)
    assert "\n" not in str(error.value)
    assert path.read_bytes() == content


@pytest.mark.parametrize("name", ["capture.parquet", "table.csv", "lines.json"])
@pytest.mark.parametrize("read_only", [True, False])
def test_a_file_of_a_table_is_no_history(tmp_path: Path, name: str, *, read_only: bool) -> None:
    """The engine would make a database in memory of it, and what is stored there would be lost."""
    table = tmp_path / name
    table.write_bytes(b"no table either")
    with pytest.raises(StoreError, match="not a quietclaw history"):
        History.open(table, read_only=read_only)
    assert [file.name for file in tmp_path.iterdir()] == [name]


def test_a_history_may_have_any_name(tmp_path: Path) -> None:
    """A name that ends as that of a table holds a history all the same."""
    with History.open(tmp_path / "farm.parquet") as history:
        history.commit(full_batch())
    with History.open(tmp_path / "farm.parquet", read_only=True) as history:
        assert history.watermarks("willowmere")


def test_a_damaged_file_is_refused_in_one_line(path: Path) -> None:
    """A database file with overwritten blocks ends in a store error, not in a traceback."""
    with History.open(path) as history:
        history.commit(full_batch())
    size = path.stat().st_size
    path.write_bytes(path.read_bytes()[:8192] + b"\xa5" * (size - 8192))
    with pytest.raises(StoreError) as error:
        History.open(path)
    assert "\n" not in str(error.value)


@pytest.mark.parametrize("read_only", [True, False])
def test_a_missing_place_is_named(tmp_path: Path, read_only: bool) -> None:
    """A missing folder, or a missing file to read, is said in one line."""
    with pytest.raises(StoreError, match="folder does not exist"):
        History.open(tmp_path / "nowhere" / "history.duckdb", read_only=read_only)
    if read_only:
        with pytest.raises(StoreError, match="no such file"):
            History.open(tmp_path / "history.duckdb", read_only=True)


def test_a_folder_is_no_history(tmp_path: Path) -> None:
    """Naming a folder ends in a store error."""
    with pytest.raises(StoreError, match="cannot be opened"):
        History.open(tmp_path)


@pytest.mark.parametrize(
    "sql",
    [
        "FROM read_text('LICENSE')",
        "COPY maintenance TO 'out.csv'",
        "ATTACH 'other.duckdb'",
        "INSTALL httpfs",
        "LOAD httpfs",
        "SET memory_limit = '64GB'",
        "SET enable_external_access = true",
    ],
)
def test_the_engine_has_no_door_to_the_machine(path: Path, sql: str) -> None:
    """An open history reads and writes no other file, loads nothing and lets nobody change its limits."""
    with History.open(path) as history, pytest.raises(duckdb.Error):
        history.reader().execute(sql)


def test_the_engine_is_bounded_and_offline_as_it_was_told(path: Path) -> None:
    """Threads, memory, log and temporary files as the settings say; nothing is fetched by itself."""
    settings = StoreSettings(threads=3, memory_limit_mb=123, checkpoint_threshold_mb=7, spill_limit_mb=45)
    connection = connect(path, settings, read_only=False)
    said = dict(connection.execute("SELECT name, value FROM duckdb_settings()").fetchall())
    sizes = {"memory_limit": 123, "checkpoint_threshold": 7, "max_temp_directory_size": 45}
    for name, megabytes in sizes.items():
        number, unit = said[name].split()
        assert (unit, float(number) * 2**20 / 10**6) == ("MiB", pytest.approx(megabytes, abs=0.11))
    assert (said["threads"], said["TimeZone"]) == ("3", "UTC")
    offline = ("autoinstall_known_extensions", "autoload_known_extensions", "allow_community_extensions")
    assert [said[name] for name in (*offline, "enable_external_access")] == ["false"] * 4
    connection.execute("SET max_execution_time = 1000")  # a reader's own limit stays its own
    for other in ("SET threads = 1", "SET lock_configuration = false", "SET TimeZone = 'Asia/Tokyo'"):
        with pytest.raises(duckdb.Error, match="locked"):
            connection.execute(other)
    connection.close()


def test_rows_are_appended_and_numbers_read_to_their_end(path: Path) -> None:
    """No rows are no work; a statement's one row comes as whole numbers, and the connection is free again."""
    connection = connect(path, StoreSettings(), read_only=False)
    connection.execute("CREATE TABLE t (a INTEGER, b VARCHAR)")
    append_rows(connection, "no such table", [])
    append_rows(connection, "t", [(1, "x"), (2, None)])
    assert connection.execute("SELECT * FROM t ORDER BY a").fetchall() == [(1, "x"), (2, None)]
    assert numbers(connection, "SELECT count(*), sum(a) FROM t WHERE a >= ?", [2]) == (1, 2)
    assert numbers(connection, "SELECT a FROM t ORDER BY a DESC") == (2,)
    connection.execute("DROP TABLE t")
    connection.close()


def test_instants_are_utc_wherever_the_machine_stands(path: Path) -> None:
    """A machine whose clock shows another zone stores and shows the same instants."""
    script = (
        "import sys\nfrom pathlib import Path\nfrom store.history import History\n"
        "with History.open(Path(sys.argv[1])) as history:\n"
        '    sql = "SELECT to_timestamp(0)::VARCHAR, to_timestamp(0)::TIMESTAMP::VARCHAR"\n'
        "    print(history.reader().execute(sql).fetchone())\n"
    )
    shown = [
        subprocess.run(  # noqa: S603 - our own script
            [sys.executable, "-c", script, str(path)],
            cwd=Path(__file__).parents[2],
            env=os.environ | {"TZ": zone},
            capture_output=True,
            text=True,
            check=True,
        ).stdout
        for zone in ("UTC", "Asia/Tokyo")
    ]
    assert shown[0] == shown[1]
    assert "1970-01-01 00:00:00" in shown[0]


def test_a_file_keeps_the_blocks_it_was_made_with(path: Path) -> None:
    """A new file has our small blocks; one of larger blocks is still read and written."""
    with History.open(path) as history:
        assert _block_bytes(history) == BLOCK_BYTES
    older = path.with_name("older.duckdb")
    with duckdb.connect(older, config={"default_block_size": 4 * BLOCK_BYTES}) as connection:
        migrate(connection)
    with History.open(older) as history:
        history.commit(full_batch())
    with History.open(older) as history:
        assert _block_bytes(history) == 4 * BLOCK_BYTES
        assert numbers(history.reader(), "SELECT count(*) FROM milking") == (1,)


def _block_bytes(history: History) -> int:
    return numbers(history.reader(), "SELECT block_size FROM pragma_database_size()")[0]
