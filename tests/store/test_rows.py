"""Results become rows by one generic rule."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from store.history import History
from store.rows import TABLE_OF, column_name, instant, row_of
from store.schema import CONTRACT_TABLES, Table
from tests.store.drawn import air_event, condition, milking


@pytest.mark.parametrize("kind", TABLE_OF)
def test_every_result_class_has_the_columns_of_its_table(kind: type) -> None:
    """Fields renamed by the rule are the table's columns, in the same order."""
    names = tuple(column_name(name) for name in kind.__dataclass_fields__)  # type: ignore[attr-defined]
    assert names == TABLE_OF[kind].column_names


@pytest.mark.parametrize("table", CONTRACT_TABLES, ids=lambda table: table.name)
def test_the_file_has_the_columns_the_schema_says(history: History, table: Table) -> None:
    """Names, types, order and null-ness in a migrated file are those described in Python."""
    reader = history.reader()
    found = reader.execute(
        "SELECT column_name, data_type, is_nullable FROM duckdb_columns() "
        "WHERE table_name = $1 ORDER BY column_index",
        [table.name],
    ).fetchall()
    assert found == [(c.name, c.kind.value, c.optional) for c in table.columns]


@given(st.integers(min_value=-(10**18), max_value=4 * 10**18))
def test_an_instant_is_rounded_down_to_a_microsecond(t_ns: int) -> None:
    """The stored instant is never later than the true one and less than 1 us earlier."""
    since = instant(t_ns).replace(tzinfo=UTC) - datetime(1970, 1, 1, tzinfo=UTC)
    stored_us = (since.days * 86_400 + since.seconds) * 1_000_000 + since.microseconds
    assert 0 <= t_ns - stored_us * 1000 < 1000


def test_an_enum_is_stored_as_its_word() -> None:
    """A kind or cause is plain text in the row, not an enum member."""
    row = row_of(air_event(1))
    assert "liner_slip" in row
    assert all(type(value) is not type(air_event(1).kind) for value in row)


def test_an_open_end_stays_open() -> None:
    """An event that has not ended has a null end."""
    assert row_of(condition())[3] is None


def test_a_stored_instant_reads_back_as_utc(history: History) -> None:
    """The instant read from the file is the one of the result, whatever the machine's zone."""
    with history.transaction() as connection, connection.appender("milking") as appender:
        appender.append_row(*row_of(milking(0)))
    reader = history.reader()
    found = reader.execute(
        "SELECT epoch_us(start_at), epoch_us(start_at::TIMESTAMPTZ) FROM milking"
    ).fetchall()
    assert found == [(1_760_000_000_000_000, 1_760_000_000_000_000)]
