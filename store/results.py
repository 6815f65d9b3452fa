"""How results become rows: appended as they come, except that a condition may be reported again.

A condition event is reported when it begins and again when it ends. The first report fixes
``detected_at``; a later one revises the columns named by the schema. The outcome does not depend on
which reports share a batch.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from typing import Final

import duckdb

from detect.results import ConditionEvent, Result
from store.engine import Row, append_rows, numbers
from store.exposure import add_milkings
from store.rows import TABLE_OF, row_of
from store.schema import CONDITION_EVENT, MILKING

_LOOK_UP: Final = """
SELECT count(*) FROM condition_event
WHERE parlor = $1 AND stall = $2 AND condition = $3 AND start_at = $4
"""
_REVISE: Final = """
UPDATE condition_event SET end_at = coalesce($5, end_at), evidence = $6
WHERE parlor = $1 AND stall = $2 AND condition = $3 AND start_at = $4
"""


def append_results(connection: duckdb.DuckDBPyConnection, results: Sequence[Result]) -> None:
    """Store results in their tables within the open transaction."""
    rows: dict[str, list[Row]] = defaultdict(list)
    for result in results:
        if isinstance(result, ConditionEvent):
            _report(connection, row_of(result))  # rare: some a day, so one by one
        else:
            rows[TABLE_OF[type(result)].name].append(row_of(result))
    for table, those in rows.items():
        append_rows(connection, table, those)
    add_milkings(connection, rows[MILKING.name])


def _report(connection: duckdb.DuckDBPyConnection, row: Row) -> None:
    """Store one report of a condition: a new row, or the revision of the one it repeats."""
    by_name = dict(zip(CONDITION_EVENT.column_names, row, strict=True))
    key = [by_name[name] for name in CONDITION_EVENT.key]
    (known,) = numbers(connection, _LOOK_UP, key)
    if known:
        revised = [by_name[name] for name in CONDITION_EVENT.revised]
        connection.execute(_REVISE, [*key, *revised])
    else:
        append_rows(connection, CONDITION_EVENT.name, [row])
