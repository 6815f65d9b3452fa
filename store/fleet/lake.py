"""Questions to the tables of a whole fleet: DuckDB over the partitions, nothing is copied or imported.

The ready-made views are written in the SQL that DuckDB and Spark have in common, and tests hold both
answers equal.
"""

from __future__ import annotations

from pathlib import Path
from types import TracebackType
from typing import Final, Self

import duckdb

from detect.errors import InputError
from store.faults import fault
from store.fleet.partitions import PARTITIONED
from store.question import QueryLimits
from store.schema import Table

_FLEET_SLIPS: Final = """
WITH fitted AS (
    SELECT m.parlor, m.milking_id, max_by(c.note, c.at) AS liner
    FROM milking AS m JOIN maintenance AS c ON c.parlor = m.parlor
    WHERE c.what = 'liners changed' AND (c.stall IS NULL OR c.stall = m.stall) AND c.at <= m.start_at
    GROUP BY m.parlor, m.milking_id
)
SELECT
    m.parlor,
    coalesce(f.liner, 'unknown') AS liner,
    substr(m.date, 1, 7) AS month,
    count(*) AS milkings,
    CAST(sum(m.slips) AS BIGINT) AS slips,
    1e2 * sum(m.slips) / count(*) AS slips_per_100,
    sum(m.slip_air_l) AS slip_air_l
FROM milking AS m LEFT JOIN fitted AS f ON f.parlor = m.parlor AND f.milking_id = m.milking_id
WHERE m.complete
GROUP BY m.parlor, coalesce(f.liner, 'unknown'), substr(m.date, 1, 7)
"""
FLEET_VIEWS: Final = {"fleet_slips": _FLEET_SLIPS}
"""Ready-made views by name.

``fleet_slips``: complete milkings and slips per parlor, liner and UTC month; the liner is what the last
note "liners changed" before the milking has as its remark, of its stall or of the whole parlor.
"""


LIMITS: Final = QueryLimits(time_s=600.0)
"""What a question to a whole fleet may cost: minutes, on a machine that serves no parlor meanwhile."""


class Lake:
    """The tables of a fleet, opened for questions; use it as a context manager.

    Parameters
    ----------
    out:
        The folder that a fleet run wrote.

    Raises
    ------
    InputError
        When no fleet run has written there.
    """

    def __init__(self, out: Path) -> None:
        self.path = out.resolve()
        if not any((self.path / table.name).is_dir() for table in PARTITIONED):
            raise InputError("no fleet run has written tables there", where=str(out))
        try:
            self._connection = duckdb.connect(":memory:", config={"allow_community_extensions": False})
            self._open()
        except duckdb.Error as error:
            raise fault(error, self.path, "opened") from error

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._connection.close()

    def reader(self) -> duckdb.DuckDBPyConnection:
        """Return a cursor of its own for reading; the caller closes it."""
        return self._connection.cursor()

    def _open(self) -> None:
        """Make the views, then let no statement reach anything but the partitions."""
        run = self._connection.execute
        run("SET GLOBAL TimeZone = 'UTC'")
        for table in PARTITIONED:
            files = self.path / table.name / "parlor=*" / "date=*" / "*.parquet"
            has_files = next(self.path.glob(f"{table.name}/parlor=*/date=*/*.parquet"), None) is not None
            run(_view(table, files) if has_files else _empty(table))
        for name, select in FLEET_VIEWS.items():
            run(f"CREATE VIEW {name} AS {select}")
        run(f"SET allowed_directories = [{_text(str(self.path))}]")
        run("SET enable_external_access = false")
        run("SET allowed_configs = ['max_execution_time']")
        run("SET lock_configuration = true")


def _view(table: Table, files: Path) -> str:
    """Return the statement that makes a table of its partitions; a date is text, as in the path."""
    types = "{'parlor': VARCHAR, 'date': VARCHAR}"
    return (
        f"CREATE VIEW {table.name} AS FROM read_parquet({_text(str(files))}, "
        f"hive_partitioning = true, hive_types = {types})"
    )


def _empty(table: Table) -> str:
    """Return the statement that makes an empty table where there is no partition yet."""
    columns = {column.name: column.kind.value for column in table.columns}
    columns |= {
        "parlor": "VARCHAR",
        "date": "VARCHAR",
        "detector_version": "INTEGER",
        "params_digest": "VARCHAR",
    }
    listed = ", ".join(f'"{name}" {kind}' for name, kind in columns.items())
    return f"CREATE TABLE {table.name} ({listed})"


def _text(text: str) -> str:
    """Return a text as a literal of SQL."""
    return "'" + text.replace("'", "''") + "'"
