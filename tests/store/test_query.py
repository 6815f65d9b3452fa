"""A question is one reading statement, bounded in time and rows."""

from __future__ import annotations

from pathlib import Path

import pytest

from detect.errors import InputError, StoreError
from store.checks import digest
from store.history import Batch, History
from store.query import QueryLimits, run_query
from tests.store.drawn import PARLOR, air_event, full_batch, milking

WRITES = [
    "WITH x AS (INSERT INTO maintenance VALUES (now()::TIMESTAMP, 1, 'a', NULL) RETURNING *) SELECT * FROM x",
    "WITH x AS (DELETE FROM air_event RETURNING *) SELECT * FROM x",
    "EXPLAIN ANALYZE DELETE FROM air_event",
    "DELETE FROM air_event",
    "DROP TABLE air_event",
    "CREATE TABLE mine AS SELECT 1",
    "SELECT 1; DELETE FROM air_event",
    "COMMIT",
]
ESCAPES = [
    "COPY air_event TO '{out}'",
    "ATTACH '{out}'",
    "EXPORT DATABASE '{out}'",
    "SET threads = 1",
    "SET enable_external_access = true",
    "PRAGMA database_list",
    "INSTALL httpfs",
    "SELECT * FROM read_text('{out}')",
    "SELECT * FROM read_csv('{out}')",
    "FROM '{out}'",
    "SELECT * FROM glob('*')",
]


@pytest.mark.parametrize("sql", WRITES)
def test_nothing_a_question_says_can_write(history: History, sql: str) -> None:
    """A statement that writes, openly or inside a SELECT, is the user's error and changes nothing."""
    history.commit(full_batch())
    before = digest(history)
    with pytest.raises(InputError) as error:
        run_query(history, sql)
    assert "\n" not in str(error.value)
    assert digest(history) == before
    assert run_query(history, "SELECT count(*) FROM duckdb_tables() WHERE table_name = 'mine'").rows == [(0,)]


@pytest.mark.parametrize("sql", ESCAPES)
def test_nothing_a_question_says_reaches_another_file(history: History, tmp_path: Path, sql: str) -> None:
    """Other files, other databases and settings are out of a question's reach."""
    out = tmp_path / "other.csv"
    out.write_text("secret\n1\n")
    with pytest.raises(InputError):
        run_query(history, sql.format(out=out))
    assert out.read_text() == "secret\n1\n"
    assert run_query(history, "SELECT current_setting('threads')").rows == [(2,)]


@pytest.mark.parametrize("sql", ["", " ; ", "SELEC 1", "SELECT nothing FROM nowhere", "SELECT ?"])
def test_a_wrong_question_is_told_in_one_line(history: History, sql: str) -> None:
    """A typing error, an unknown name or a missing value is the user's error, in one line."""
    with pytest.raises(InputError) as error:
        run_query(history, sql)
    assert "\n" not in str(error.value)


@pytest.mark.parametrize(
    "sql",
    [
        "SELECT count(*) FROM range(10000000) a, range(10000000) b",
        "WITH RECURSIVE r AS (SELECT 1 AS i UNION ALL SELECT i + 1 FROM r) SELECT count(*) FROM r",
    ],
    ids=["cross join", "endless recursion"],
)
def test_a_long_runner_is_stopped(history: History, sql: str) -> None:
    """A question that takes too long ends at its limit, and the history answers the next one."""
    with pytest.raises(InputError, match=r"took longer than 0\.2 s"):
        run_query(history, sql, limits=QueryLimits(time_s=0.2))
    assert run_query(history, "SELECT 1").rows == [(1,)]


@pytest.mark.parametrize(("limit", "truncated"), [(4, True), (5, False), (6, False)])
def test_truncation_is_admitted(history: History, *, limit: int, truncated: bool) -> None:
    """The answer says whether the row limit cut something off, to the row."""
    history.commit(Batch(PARLOR, [air_event(n) for n in range(5)]))
    sql = "SELECT event_id FROM air_event ORDER BY event_id DESC"
    result = run_query(history, sql, limits=QueryLimits(rows=limit))
    assert result.truncated is truncated
    assert result.rows[0] == ("willowmere-4",)
    assert len(result.rows) == min(limit, 5)


@pytest.mark.parametrize("sql", ["DESCRIBE milking", "SHOW TABLES", "EXPLAIN FROM milking", "FROM stall_day"])
def test_looking_around_is_allowed(history: History, sql: str) -> None:
    """Tables can be listed, described and explained."""
    assert run_query(history, sql).columns != ()


def test_values_are_bound_not_pasted(history: History) -> None:
    """A value is a value, by place or by name, whatever it looks like."""
    history.commit(Batch(PARLOR, [milking(1, cow="'; DROP TABLE milking; --")]))
    by_place = run_query(history, "SELECT stall FROM milking WHERE cow = ?", ["'; DROP TABLE milking; --"])
    by_name = run_query(history, "SELECT stall FROM milking WHERE cow = $cow", {"cow": "nobody"})
    assert (by_place.rows, by_name.rows) == ([(2,)], [])


def test_every_type_can_be_answered(history: History) -> None:
    """Intervals, lists and repeated names come as text and numbered names; sums are integers."""
    history.commit(Batch(PARLOR, [air_event(1)]))
    columns = "end_at - start_at AS d, [1, 2] AS l, sum(pulses) AS s, stall, stall"
    sql = f"SELECT {columns} FROM air_event GROUP BY ALL"  # noqa: S608 - a constant
    result = run_query(history, sql)
    assert result.columns == ("d", "l", "s", "stall", "stall_2")
    assert result.rows == [("00:00:01", "[1, 2]", 2, 2, 2)]


def test_a_question_sees_commits_and_does_not_hinder_them(history: History) -> None:
    """Questions between commits see each of them, from the same open file."""
    for number in range(3):
        history.commit(Batch(PARLOR, [air_event(number)]))
        assert run_query(history, "SELECT count(*) FROM air_event").rows == [(number + 1,)]


def test_a_file_that_fails_is_a_store_error(history: History) -> None:
    """A history closed underneath is the store's fault, not the user's."""
    history.close()
    with pytest.raises(StoreError):
        run_query(history, "SELECT 1")
