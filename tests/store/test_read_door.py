"""Whatever a question holds, it reads, is refused, or is killed, while the history is written on."""

from __future__ import annotations

import json
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from hashlib import sha256
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from detect.errors import InputError, StoreError
from store.checks import digest
from store.child_process import command, environment
from store.history import Batch, History
from store.question import QueryLimits
from store.read_door import LET_IN, ReadDoor
from store.shared_history import SharedHistory
from tests.store.drawn import PARLOR, air_event, full_batch, rows

MOST_MB = 200.0
"""Of a process that answers a question; some 60 are code (measured)."""
WAITER = """
import os, subprocess, sys
with open(sys.argv[1]) as said:
    child = subprocess.Popen(sys.argv[2:], stdin=said, stdout=subprocess.DEVNULL)
print(os.wait4(child.pid, 0)[2].ru_maxrss)
"""
SHORT = QueryLimits(rows=100, time_s=1.0)
BOMBS = {
    "string": "SELECT repeat('x', 1500000000)",
    "sort": "SELECT row_number() OVER (ORDER BY hash(range)) FROM range(40000000000)",
    "cross join": "SELECT count(*) FROM range(100000000) a, range(100000000) b",
    "wide answer": "SELECT repeat('x', 1000000) FROM range(90)",
    "join": "SELECT count(*) FROM range(9000000) a JOIN range(9000000) b ON a.range % 7 < b.range",
    "list": "SELECT list(range) FROM range(500000000)",
    "text": "SELECT length(string_agg(range::VARCHAR, '')) FROM range(500000000)",
    "window": "SELECT max(s) FROM (SELECT sum(range) OVER (ORDER BY hash(range)) s FROM range(300000000))",
    "endless": "WITH RECURSIVE t AS (SELECT 1 AS x UNION ALL SELECT x + 1 FROM t) SELECT count(*) FROM t",
    "padding": "SELECT lpad('x', 2000000000, 'y')",
    "deep": f"SELECT {'(' * 20000}1{')' * 20000}",
}
TRESPASSES = {
    "insert": "WITH x AS (INSERT INTO maintenance VALUES (now(), 1, 'a', NULL) RETURNING *) FROM x",
    "delete": "WITH x AS (DELETE FROM air_event RETURNING *) SELECT * FROM x",
    "update": "WITH x AS (UPDATE milking SET yield_kg = 0 RETURNING *) SELECT count(*) FROM x",
    "explained delete": "EXPLAIN ANALYZE DELETE FROM air_event",
    "explained insert": "EXPLAIN ANALYZE INSERT INTO maintenance VALUES (now(), 1, 'a', NULL)",
    "merge": "MERGE INTO milking USING milking AS m ON false WHEN NOT MATCHED THEN INSERT BY NAME",
    "drop": "DROP TABLE milking",
    "table": "CREATE TEMP TABLE x AS SELECT 1",
    "macro": "CREATE OR REPLACE MACRO cow_key(c) AS 'x'",
    "checkpoint": "CHECKPOINT",
    "call": "CALL force_checkpoint()",
    "function that writes": "SELECT * FROM force_checkpoint()",
    "question in a question": "SELECT * FROM query('DELETE FROM air_event RETURNING *')",
    "prepared": "PREPARE x AS DELETE FROM air_event",
    "variable": "SET VARIABLE x = 1",
    "pragma": "PRAGMA enable_profiling",
    "sequence": "SELECT nextval('s')",
    "file": "SELECT * FROM read_text('/etc/passwd')",
    "memory": "SELECT * FROM read_blob('/proc/self/environ')",
    "parquet": "FROM '/etc/x.parquet'",
    "csv": "SELECT * FROM read_csv('/etc/passwd')",
    "guess": "SELECT * FROM sniff_csv('/etc/passwd')",
    "folder": "SELECT * FROM glob('/etc/*')",
    "network": "SELECT * FROM read_text('http://127.0.0.1:1/x')",
    "other engine": "SELECT * FROM sqlite_scan('/etc/x.db', 't')",
    "own file": "SELECT * FROM read_blob('h.duckdb')",
    "secrets": "FROM duckdb_secrets()",
    "attach": "ATTACH '/etc/x.duckdb'",
    "extension": "LOAD httpfs",
    "installed extension": "INSTALL httpfs",
    "unlock": "RESET lock_configuration",
    "export": "EXPORT DATABASE 'x'",
    "setting": "SET enable_external_access = true",
    "copy": "COPY milking TO 'x.csv'",
    "two": "SELECT 1; SELECT 2",
}


@pytest.fixture(scope="module")
def shared(tmp_path_factory: pytest.TempPathFactory) -> Iterator[SharedHistory]:
    with SharedHistory.open(tmp_path_factory.mktemp("door") / "h.duckdb") as history:
        history.commit(full_batch())
        yield history


@pytest.fixture(scope="module")
def door(shared: SharedHistory) -> Iterator[ReadDoor]:
    """Open a door whose clock stands still, so that a copy is made anew only when told."""
    opened = ReadDoor(shared.path, held=shared.held, clock_s=lambda: 1.0)
    yield opened
    opened.close()


def count(history: History) -> int:
    return int(rows(history, "SELECT count(*) FROM air_event")[0][0])


@pytest.mark.parametrize("sql", BOMBS.values(), ids=BOMBS)
def test_a_bomb_ends_within_its_limits_while_commits_go_on(
    shared: SharedHistory, door: ReadDoor, sql: str
) -> None:
    """Time and memory bombs are the asker's error; the writer stores on and keeps its memory."""
    told: list[Exception] = []

    def ask() -> None:
        try:
            door.ask(sql, (), SHORT)
        except InputError as error:
            told.append(error)

    asker = threading.Thread(target=ask)
    asker.start()
    number = before = count(shared)
    began_s = time.monotonic()
    while asker.is_alive():
        number += 1
        shared.commit(Batch(PARLOR, [air_event(100 + number)]))
    assert time.monotonic() - began_s < 30.0
    assert len(told) == 1
    assert "\n" not in str(told[0])
    assert count(shared) == number > before


@pytest.mark.parametrize("bomb", ["list", "text", "wide answer", "sort"])
def test_a_bomb_takes_no_more_memory_than_a_question_may(
    shared: SharedHistory, tmp_path: Path, bomb: str
) -> None:
    """Its process stays small, code that it shares with others included."""
    asked = {"path": str(shared.path), "sql": BOMBS[bomb], "params": [], "rows": 100, "time_s": 1.0}
    words = tmp_path / "question"
    words.write_text(json.dumps(asked) + "\n")
    # A child's peak counts from the process that it was split from: so a small one asks and waits.
    waiter = [sys.executable, "-c", WAITER, str(words), *command("store.read_child")]
    peak_kb = subprocess.run(  # noqa: S603 - our own words
        waiter, env=environment(), capture_output=True, text=True, check=True
    ).stdout
    assert int(peak_kb) / 1024 < MOST_MB


@pytest.mark.parametrize("sql", TRESPASSES.values(), ids=TRESPASSES)
def test_a_trespass_is_refused_and_changes_nothing(shared: SharedHistory, door: ReadDoor, sql: str) -> None:
    """Writes inside a SELECT, files, settings, extensions and other databases are out of reach."""
    before = digest(shared)
    with pytest.raises(InputError) as error:
        door.ask(sql, (), SHORT)
    assert "\n" not in str(error.value)
    assert digest(shared) == before


FRAGMENTS = st.sampled_from(
    [
        *(
            "SELECT",
            "FROM",
            "WITH x AS (",
            ")",
            "DELETE FROM",
            "INSERT INTO",
            "RETURNING *",
            "UNION ALL",
            ";",
        ),
        *("milking", "air_event", "duckdb_settings()", "range(1000000)", "read_text('/etc/passwd')", "x"),
        *("*", "1", "count(*)", "'a'", "NULL", ",", "JOIN", "ON true", "ORDER BY ALL", "GROUP BY ALL"),
        *("repeat('x', 100000000)", "COPY", "TO '/etc/x'", "PRAGMA", "SET", "ATTACH ':memory:'", "$1", "--"),
    ]
)


@settings(max_examples=12, deadline=None)
@given(sql=st.one_of(st.lists(FRAGMENTS, max_size=12).map(" ".join), st.text(max_size=60)))
def test_no_words_break_the_door(shared: SharedHistory, door: ReadDoor, sql: str) -> None:
    """Any words are answered or refused; the history and the copy stay as they were."""
    copy = shared.path.with_name("h.duckdb.reading")
    before = digest(shared), sha256(copy.read_bytes()).digest()
    try:
        assert set(door.ask(sql, (), SHORT)) == {"columns", "rows", "truncated"}
    except InputError as error:
        assert "\n" not in str(error)  # noqa: PT017 - an answer is as good
    assert (digest(shared), sha256(copy.read_bytes()).digest()) == before


def test_secrets_of_the_service_stay_with_it(monkeypatch: pytest.MonkeyPatch) -> None:
    """The process that answers gets nothing of the service's environment but where modules are."""
    monkeypatch.setenv("QUIETCLAW_BROKER_PASSWORD", "swordfish")
    assert set(environment()) == {"PYTHONPATH", "POLARS_MAX_THREADS"}
    assert "swordfish" not in str(environment())


def test_a_copy_is_used_again_until_it_is_outdated(path: Path) -> None:
    """For a while questions see the copy; an outdated one is made anew, as is an old one."""
    now = [100.0]
    seen = []
    with SharedHistory.open(path) as history:
        door = ReadDoor(path, held=history.held, clock_s=lambda: now[0])
        for step in (lambda: None, lambda: None, door.outdate, lambda: now.append(now.pop() + 1.1)):
            step()
            seen += door.ask("SELECT count(*) FROM air_event")["rows"][0]
            history.commit(Batch(PARLOR, [air_event(len(seen))]))
        door.close()
        assert list(path.parent.glob("*.reading*")) == []
    assert seen == [0, 0, 2, 3]


def test_more_than_a_few_at_once_are_sent_away(door: ReadDoor) -> None:
    """The place of each question is bounded; the next one is told to try again."""

    def ask_much() -> None:
        with pytest.raises(InputError):
            door.ask(BOMBS["cross join"], (), SHORT)

    door.ask("SELECT 1")
    busy = [threading.Thread(target=ask_much) for _ in range(LET_IN)]
    for thread in busy:
        thread.start()
    refused = 0
    while any(thread.is_alive() for thread in busy):
        try:
            door.ask("SELECT 1")
        except StoreError as error:
            assert "try again" in str(error)  # noqa: PT017 - it may as well be answered
            refused += 1
    assert refused > 0


def test_values_are_bound_and_plain(door: ReadDoor) -> None:
    """Bound values, instants, bytes and numbers that are none come as plain JSON values."""
    answer = door.ask("SELECT ? AS said, 'NaN'::DOUBLE, '\\xFF'::BLOB, TIMESTAMP '2026-03-01'", ["x'; --"])
    assert answer["rows"] == [["x'; --", None, "\\xff", "2026-03-01 00:00:00"]]
    assert answer["columns"][0] == "said"
    assert not answer["truncated"]


def test_rows_beyond_the_limit_are_admitted(door: ReadDoor) -> None:
    """An answer cut short says so."""
    answer = door.ask("FROM range(1000)", (), QueryLimits(rows=10))
    assert (len(answer["rows"]), answer["truncated"]) == (10, True)


def test_a_history_named_without_its_folder_is_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A relative name, as in the README's settings, means the folder in which the service stands."""
    monkeypatch.chdir(tmp_path)
    with History.open(Path("h.duckdb")):
        assert ReadDoor(Path("h.duckdb")).ask("SELECT count(*) FROM milking")["rows"] == [[0]]
