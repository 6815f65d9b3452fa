"""Checks of a whole history: is anything stored twice, and do two histories hold the same."""

from __future__ import annotations

from hashlib import sha256
from typing import Final

from store.engine import numbers
from store.history import History
from store.schema import CONTRACT_TABLES, Table

_CHUNK_ROWS: Final = 10_000


def duplicates(history: History) -> dict[str, int]:
    """Return how many rows stand more than once by their key, by table; empty when none does.

    Tables whose rows may rightly repeat (notes, refused input) are not looked at.
    """
    reader = history.reader()
    try:
        counts = {table.name: numbers(reader, _surplus(table))[0] for table in CONTRACT_TABLES}
    finally:
        reader.close()
    return {name: count for name, count in counts.items() if count}


def _surplus(table: Table) -> str:
    """Return the statement that counts rows beyond the first of each key."""
    if table.repeatable:
        return "SELECT 0"
    key = ", ".join(f'"{name}"' for name in table.key)
    return f"SELECT count(*) - count(DISTINCT ({key})) FROM {table.name}"  # noqa: S608


def digest(history: History) -> dict[str, str]:
    """Return the SHA-256 of each table of the contract, of its rows in sorted order.

    Two histories with equal digests hold the same facts, whatever the order and the batches they
    were stored in.
    """
    return {table.name: _digest(history, table) for table in CONTRACT_TABLES}


def _digest(history: History, table: Table) -> str:
    """Return the SHA-256 of one table."""
    reader = history.reader()
    total = sha256(repr(table.column_names).encode())
    try:
        reader.execute(f"FROM {table.name} ORDER BY ALL")  # a name of the schema
        while chunk := reader.fetchmany(_CHUNK_ROWS):
            total.update("".join(map(repr, chunk)).encode())
    finally:
        reader.close()
    return total.hexdigest()


def identical(one: History, other: History) -> bool:
    """Return whether two histories hold the same rows in every table of the contract."""
    return digest(one) == digest(other)
