"""Free questions to the history: exactly one statement that only reads, bounded in time and rows.

Three fences stand one behind the other, because a statement that the parser calls a SELECT can
still write (``WITH x AS (INSERT ... RETURNING *) SELECT ...``): the statement's type, a READ ONLY
transaction, and an engine that reaches no other file and takes no new settings. A single huge
expression may overrun the time limit, since the engine looks at its clock between vectors only;
questions to a running service go through :mod:`store.read_door`, which stops those too.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Protocol

import duckdb

from detect.errors import InputError
from store.engine import Value
from store.faults import fault, first_line

_READING: Final = (duckdb.StatementType.SELECT, duckdb.StatementType.EXPLAIN)
_PORTABLE: Final = frozenset(
    (
        *("BOOLEAN", "TINYINT", "SMALLINT", "INTEGER", "BIGINT", "HUGEINT"),
        *("UTINYINT", "USMALLINT", "UINTEGER", "UBIGINT", "FLOAT", "DOUBLE", "VARCHAR", "BLOB"),
        *("DATE", "TIMESTAMP", "TIMESTAMP_S", "TIMESTAMP_MS", "TIMESTAMP_NS"),
    )
)
"""Column types every output format can carry; others (INTERVAL, lists, UUID...) are handed on as text."""
_STORE_FAULTS: Final = (duckdb.IOException, duckdb.InternalException, duckdb.FatalException)


@dataclass(frozen=True, slots=True)
class QueryLimits:
    """What one question may cost (engineering choice: a screenful of answers, a pause one waits)."""

    rows: int = 10_000
    time_s: float = 10.0


DEFAULT_LIMITS: Final = QueryLimits()
"""Limits when none are given."""


Parameters = Sequence[Value] | Mapping[str, Value]
"""Values for ``?`` or ``$1`` marks in order, or for ``$name`` marks by name."""


class Readable(Protocol):
    """What a question may be put to: an open history, or the tables of a fleet."""

    @property
    def path(self) -> Path:
        """Return where it lies, for errors."""

    def reader(self) -> duckdb.DuckDBPyConnection:
        """Return a cursor of its own for reading."""


@contextmanager
def question(
    history: Readable, sql: str, params: Parameters = (), limits: QueryLimits = DEFAULT_LIMITS
) -> Iterator[duckdb.DuckDBPyRelation]:
    """Give the answer to one SELECT, DESCRIBE, SHOW or EXPLAIN, to be fetched within the block.

    Parameters
    ----------
    history:
        The open history, for writing or reading, or a fleet's tables.
    sql:
        One statement; a closing semicolon is allowed.
    params:
        Values bound to the statement's marks.
    limits:
        Most rows returned, one more shows that there are more, and most time [s] taken.

    Raises
    ------
    InputError
        When it is no single reading statement, is wrong, asks for another file or takes too long.
    StoreError
        When the file itself fails.
    """
    reader = history.reader()
    try:
        _require_one_reading_statement(reader, sql)
        with _reading(reader, limits):
            bound: object = dict(params) if isinstance(params, Mapping) else list(params)
            relation = reader.sql(sql, params=bound) if bound else reader.sql(sql)
            yield relation.limit(limits.rows + 1).project(_portable(relation))
    except _STORE_FAULTS as error:
        raise fault(error, history.path, "read") from error
    except duckdb.InterruptException as error:
        raise InputError(f"took longer than {limits.time_s:g} s; narrow it", where="query") from error
    except duckdb.OutOfMemoryException as error:
        raise InputError("needs more memory than a question may have; narrow it", where="query") from error
    except duckdb.Error as error:
        raise InputError(first_line(error), where="query") from error
    finally:
        reader.close()


def records(history: Readable, sql: str, params: Parameters = ()) -> list[dict[str, Value]]:
    """Return the answer to one reading statement as plain rows by column name; see :func:`question`.

    Raises
    ------
    InputError
        When it is no single reading statement, is wrong, asks for another file or takes too long.
    StoreError
        When the file itself fails.
    """
    with question(history, sql, params) as relation:
        return [dict(zip(relation.columns, row, strict=True)) for row in relation.fetchall()]


def _require_one_reading_statement(reader: duckdb.DuckDBPyConnection, sql: str) -> None:
    """Refuse anything but one statement that reads."""
    statements = reader.extract_statements(sql)
    if len(statements) != 1:
        raise InputError(f"one statement at a time, not {len(statements)}", where="query")
    if statements[0].type not in _READING:
        raise InputError(
            f"only SELECT, DESCRIBE, SHOW and EXPLAIN, not {statements[0].type.name}", where="query"
        )


@contextmanager
def _reading(reader: duckdb.DuckDBPyConnection, limits: QueryLimits) -> Iterator[None]:
    """Let the block run in a READ ONLY transaction, interrupted at the time limit."""
    reader.execute(f"SET max_execution_time = {max(1, round(limits.time_s * 1000))}")
    reader.execute("BEGIN TRANSACTION READ ONLY")
    try:
        yield
    finally:
        with suppress(duckdb.Error):
            reader.rollback()


def _portable(relation: duckdb.DuckDBPyRelation) -> str:
    """Return the projection, by position since names may repeat, that makes every column portable."""
    names = _distinct(relation.columns)
    return ", ".join(
        _column(position, name, str(kind))
        for position, (name, kind) in enumerate(zip(names, relation.types, strict=True), start=1)
    )


def _column(position: int, name: str, kind: str) -> str:
    """Return one column of the projection, an odd type as text."""
    quoted = name.replace('"', '""')
    target = "DOUBLE" if kind.startswith("DECIMAL") else "VARCHAR"
    cast = "" if kind in _PORTABLE else f"::{target}"
    return f'#{position}{cast} AS "{quoted}"'


def _distinct(names: Sequence[str]) -> list[str]:
    """Return the names with a number added to those that were there before (a join of two tables)."""
    distinct: list[str] = []
    for name in names:
        candidate, number = name, 1
        while candidate in distinct:
            number += 1
            candidate = f"{name}_{number}"
        distinct.append(candidate)
    return distinct
