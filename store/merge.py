"""Merging rows into a table by what makes them the same fact, so that loading twice changes nothing.

A stored fact is never overwritten by another version of it: history is not re-labelled. Only the
columns a table names as revised may still be filled in, where a condition has ended meanwhile.
Statements are put together from names of the schema only, never from data.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import duckdb
import polars as pl

from store.engine import append_rows, numbers
from store.schema import Table

_CHUNK_ROWS = 10_000
"""Rows handed to the appender at a time, to bound memory (engineering choice)."""


@dataclass(frozen=True, slots=True)
class MergeCount:
    """How many rows were new, the same as stored, completed a stored one, or contradicted one."""

    new: int
    same: int
    changed: int
    contradicting: int


def merge(connection: duckdb.DuckDBPyConnection, table: Table, frame: pl.DataFrame) -> MergeCount:
    """Merge rows into a table within the open transaction.

    Parameters
    ----------
    connection:
        The writing connection, inside a transaction.
    table:
        Where they go.
    frame:
        The rows, with exactly the table's columns.
    """
    if table.repeatable:
        return _merge_repeatable(connection, table, frame)
    facts = frame.sort([*table.key, *table.revised], nulls_last=True).unique(
        subset=table.key, keep="first", maintain_order=True
    )
    repeated = frame.height - facts.height
    contradicting = frame.unique().height - facts.height if not table.revised else 0
    count = _merge_keyed(connection, table, facts)
    return MergeCount(
        new=count.new,
        same=count.same + repeated - contradicting,
        changed=count.changed,
        contradicting=count.contradicting + contradicting,
    )


def _merge_keyed(connection: duckdb.DuckDBPyConnection, table: Table, facts: pl.DataFrame) -> MergeCount:
    """Merge rows whose keys are distinct."""
    _stage(connection, table, facts)
    by_key, settled = _equal(table.key), _equal([c for c in table.column_names if c not in table.revised])
    changed, agrees = 0, settled
    if table.revised:
        closing = table.revised[0]
        values = ", ".join(f"{_quoted(name)} = i.{_quoted(name)}" for name in table.revised)
        pending = f"t.{_quoted(closing)} IS NULL AND i.{_quoted(closing)} IS NOT NULL"
        update = f"UPDATE {table.name} AS t SET {values} FROM incoming AS i WHERE {settled} AND {pending}"  # noqa: S608
        (changed,) = numbers(connection, update)
        agrees = f"{settled} AND (i.{_quoted(closing)} IS NULL OR ({_equal(table.revised)}))"
    (known,) = numbers(connection, _count_where(table, by_key))
    (agreeing,) = numbers(connection, _count_where(table, agrees))
    (new,) = numbers(connection, _insert_unless(table, by_key))
    return MergeCount(new=new, same=agreeing - changed, changed=changed, contradicting=known - agreeing)


def _merge_repeatable(connection: duckdb.DuckDBPyConnection, table: Table, frame: pl.DataFrame) -> MergeCount:
    """Merge rows that may stand several times: as often as the side that has them more often."""
    nth = pl.int_range(pl.len(), dtype=pl.Int64).over(list(table.column_names))
    _stage(connection, table, frame.sort(list(table.column_names)), nth)
    everything = ", ".join(_quoted(name) for name in table.column_names)
    connection.execute(
        "CREATE OR REPLACE TEMP TABLE counted AS "  # noqa: S608
        f"SELECT *, row_number() OVER (PARTITION BY {everything}) - 1 AS nth FROM {table.name}"
    )
    same_row = _equal([*table.column_names, "nth"])
    insert = (
        f"INSERT INTO {table.name} SELECT {everything} FROM incoming AS i "  # noqa: S608
        f"WHERE NOT EXISTS (FROM counted AS t WHERE {same_row})"
    )
    (new,) = numbers(connection, insert)
    return MergeCount(new=new, same=frame.height - new, changed=0, contradicting=0)


def _stage(
    connection: duckdb.DuckDBPyConnection, table: Table, frame: pl.DataFrame, nth: pl.Expr | None = None
) -> None:
    """Put rows into the temporary table ``incoming``, numbered among their equals."""
    connection.execute(
        f"CREATE OR REPLACE TEMP TABLE incoming AS SELECT *, 0::BIGINT AS nth FROM {table.name} LIMIT 0"  # noqa: S608
    )
    numbered = frame.with_columns(nth=pl.lit(0) if nth is None else nth)
    for chunk in numbered.iter_slices(_CHUNK_ROWS):
        append_rows(connection, "incoming", chunk.rows())


def _count_where(table: Table, condition: str) -> str:
    """Return the statement that counts incoming rows for which a stored row fulfils a condition."""
    return f"SELECT count(*) FROM incoming AS i WHERE EXISTS (FROM {table.name} AS t WHERE {condition})"  # noqa: S608


def _insert_unless(table: Table, condition: str) -> str:
    """Return the statement that stores incoming rows unless a stored row fulfils a condition."""
    return (
        f"INSERT INTO {table.name} SELECT * EXCLUDE (nth) FROM incoming AS i "  # noqa: S608
        f"WHERE NOT EXISTS (FROM {table.name} AS t WHERE {condition})"
    )


def _equal(names: Sequence[str]) -> str:
    """Return the condition that stored and incoming row agree in some columns, null equal to null."""
    return " AND ".join(f"t.{_quoted(name)} IS NOT DISTINCT FROM i.{_quoted(name)}" for name in names)


def _quoted(name: str) -> str:
    """Return a column name of the schema as an identifier."""
    return f'"{name}"'
