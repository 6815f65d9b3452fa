"""A PostgreSQL of our own under a temporary folder, on a socket, with the milkings of a history."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import tempfile
from pathlib import Path
from types import TracebackType
from typing import Final, Self

from store.advisor_views import CARRIED_RATIO
from store.exposure import FRESH_DAYS, HIGH_SCC, LONGEST_INTERVAL_DAYS, RECOVERY_DAYS
from store.history import History
from store.schema import CLINICAL_CASE, MILKING, TEST_DAY, Column, ColumnType, Table

USER: Final = "postgres"
TABLES: Final = (MILKING, TEST_DAY, CLINICAL_CASE)
TYPES: Final = {ColumnType.TEXT: "text", ColumnType.REAL: "double precision"}
SETTINGS: Final = (
    *("listen_addresses=", "shared_buffers=512MB", "work_mem=64MB", "fsync=off"),
    *("max_parallel_workers_per_gather=2", "jit=off", "max_wal_size=4GB"),
)
"""Two workers as DuckDB has two threads, and room for all in memory; no compiling, which only cost time."""

_COW_KEY: Final = r"""
CREATE FUNCTION cow_key(cow text) RETURNS text IMMUTABLE PARALLEL SAFE LANGUAGE sql AS $f$
SELECT CASE WHEN word ~ '^[0-9]+$' AND length(word) <> 15
    THEN coalesce(nullif(ltrim(word, '0'), ''), '0') ELSE word END
FROM (SELECT regexp_replace(upper(cow), '[^[:alnum:]]', '', 'g') AS word) AS plain
$f$;
CREATE INDEX ON milking (cow);
"""
_COW_EXPOSURE: Final = f"""
WITH tests AS (
    SELECT cow_key(cow) AS cow, date AS to_date, scc_cells_ml AS scc_after, parity, dim, group_name,
        lag(date) OVER earlier AS from_date, lag(scc_cells_ml) OVER earlier AS scc_before
    FROM test_day WINDOW earlier AS (PARTITION BY cow_key(cow) ORDER BY date)
),
first_case AS (SELECT cow_key(cow) AS cow, min(date) AS case_date FROM clinical_case GROUP BY 1),
spans AS (
    SELECT tests.*,
        coalesce(case_date > from_date AND case_date <= to_date, false) AS clinical,
        CASE WHEN coalesce(case_date > from_date AND case_date <= to_date, false)
            THEN case_date ELSE to_date END AS event_date,
        scc_before < {HIGH_SCC} AND to_date - from_date <= {LONGEST_INTERVAL_DAYS}
            AND coalesce(dim >= to_date - from_date AND dim > {FRESH_DAYS}, true)
            AND coalesce(case_date > from_date OR case_date < from_date - {RECOVERY_DAYS}, true) AS at_risk
    FROM tests LEFT JOIN first_case USING (cow) WHERE from_date IS NOT NULL
),
known AS (
    SELECT said, cow_key(said) AS cow
    FROM (SELECT DISTINCT cow AS said FROM milking WHERE cow IS NOT NULL) AS cows
),
milked AS (
    SELECT known.cow, start_at, slips, late_slips, fall_offs
    FROM milking JOIN known ON milking.cow = known.said WHERE complete
)
SELECT spans.cow, from_date, to_date, event_date, scc_before, scc_after, clinical, at_risk,
    clinical OR scc_after >= {HIGH_SCC} AS infected, min(parity) AS parity, min(dim) AS dim,
    min(group_name) AS group_name, count(start_at) AS milkings, coalesce(sum(slips), 0) AS slips,
    coalesce(sum(late_slips), 0) AS late_slips, coalesce(sum(fall_offs), 0) AS fall_offs
FROM spans LEFT JOIN milked
    ON milked.cow = spans.cow AND start_at >= from_date AND start_at < event_date - INTERVAL '1 day'
GROUP BY 1, 2, 3, 4, 5, 6, 7, 8, 9
"""  # noqa: S608 - constants of our own
_NEW_INFECTION: Final = f"""
WITH tests AS (
    SELECT date, scc_cells_ml, lag(scc_cells_ml) OVER (PARTITION BY cow_key(cow) ORDER BY date) AS scc_before
    FROM test_day
)
SELECT date, count(*) AS tested, count(*) FILTER (WHERE scc_cells_ml >= {HIGH_SCC}) AS high,
    count(*) FILTER (WHERE scc_before < {HIGH_SCC}) AS at_risk,
    count(*) FILTER (WHERE scc_before < {HIGH_SCC} AND scc_cells_ml >= {HIGH_SCC}) AS new,
    count(*) FILTER (WHERE scc_before >= {HIGH_SCC} AND scc_cells_ml >= {HIGH_SCC}) AS chronic,
    count(*) FILTER (WHERE scc_before IS NULL AND scc_cells_ml >= {HIGH_SCC}) AS first_test_high
FROM tests GROUP BY date
"""  # noqa: S608 - constants of our own
_SUPPORT_PRACTICE: Final = f"""
SELECT parlor, stall, date_trunc('week', start_at)::date AS week,
    CASE WHEN extract(hour FROM start_at) < 12 THEN 'before noon' ELSE 'after noon' END AS shift,
    count(*) AS milkings, count(*) FILTER (WHERE unsupported_s <= {CARRIED_RATIO} * unit_on_s) AS carried,
    count(*) FILTER (WHERE unsupported_s <= {CARRIED_RATIO} * unit_on_s)::float8 / count(*) AS carried_ratio
FROM milking WHERE complete AND unit_on_s > 0 GROUP BY 1, 2, 3, 4
"""  # noqa: S608 - constants of our own
QUESTIONS: Final = {
    "slips_per_100": """
SELECT parlor, stall, count(*) AS milkings, sum(slips) AS slips, 100.0 * sum(slips) / count(*),
    sum(slip_air_l), sum(fall_offs), sum(unsupported_s) / nullif(sum(unit_on_s), 0)
FROM milking WHERE complete GROUP BY parlor, stall
""",
    "stall_day": """
SELECT parlor, stall, date_trunc('day', start_at)::date AS day, count(*) AS milkings, sum(slips) AS slips,
    sum(slip_air_l), sum(late_slips), sum(fall_offs), sum(unsupported_s), sum(yield_kg)
FROM milking WHERE complete GROUP BY 1, 2, 3
""",
    "cow_exposure": _COW_EXPOSURE,
    "new_infection": _NEW_INFECTION,
    "support_practice": _SUPPORT_PRACTICE,
}
"""The views in PostgreSQL's words."""


def installed() -> bool:
    """Return whether a PostgreSQL server is here, and somebody other than root to run it."""
    return _programs() is not None and shutil.which("psql") is not None


class Postgres:
    """A server with the tables of a history, stopped and removed at the end."""

    def __init__(self, history: History) -> None:
        self._history = history
        self.folder = Path(tempfile.mkdtemp(prefix="pg"))
        self._as = USER if os.getuid() == 0 else None
        if self._as:
            shutil.chown(self.folder, USER)

    def __enter__(self) -> Self:
        data = self.folder / "data"
        settings = (*SETTINGS, f"unix_socket_directories={self.folder}")
        options = " ".join(f"-c {setting}" for setting in settings)
        self._run("initdb", "-D", data, "-U", USER, "-A", "trust", "--no-sync")
        self._run("pg_ctl", "-D", data, "-w", "-o", options, "-l", self.folder / "log", "start")
        for table in TABLES:
            self._sql(f"CREATE TABLE {table.name} ({', '.join(map(_declared, table.columns))})")
            self._load(table)
        self._sql(_COW_KEY)
        self._sql("VACUUM ANALYZE")
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._run("pg_ctl", "-D", self.folder / "data", "-m", "immediate", "stop")
        shutil.rmtree(self.folder)

    def ask(self, view: str) -> tuple[list[list[str]], float]:
        """Ask one question; return the rows as text and the time [s] until all of them are here."""
        script = f"\\timing on\n{QUESTIONS[view].strip()};\n"
        told = self._psql("-A", "-t", script=script).splitlines()
        time_ms = float(re.fullmatch(r"Time: ([\d.]+) ms.*", told[-1])[1])  # type: ignore[index]
        return [line.split("|") for line in told[1:-1]], 1e-3 * time_ms

    def _load(self, table: Table) -> None:
        reader = self._history.reader()
        path = self.folder / f"{table.name}.csv"
        reader.sql(f"FROM {table.name}").pl().write_csv(path)
        reader.close()
        names = ", ".join(f'"{name}"' for name in table.column_names)
        self._psql("-q", script=f"\\copy {table.name} ({names}) FROM '{path}' WITH (FORMAT csv, HEADER)\n")
        path.unlink()

    def _sql(self, sql: str) -> None:
        self._psql("-q", script=sql + ";\n")

    def _psql(self, *options: str, script: str) -> str:
        command = ["psql", "-X", "-h", str(self.folder), "-U", USER, "-v", "ON_ERROR_STOP=1", *options]
        done = subprocess.run(command, input=script, capture_output=True, text=True, check=False)  # noqa: S603
        assert done.returncode == 0, done.stderr
        return done.stdout

    def _run(self, program: str, *arguments: str | Path) -> None:
        command = [str(_programs() / program), *map(str, arguments)]  # type: ignore[operator]
        subprocess.run(  # noqa: S603 - programs of the server found on this machine
            command, check=True, stdout=subprocess.DEVNULL, user=self._as, cwd=self.folder
        )


def _declared(column: Column) -> str:
    return f'"{column.name}" {TYPES.get(column.kind, column.kind.value)}'


def _programs() -> Path | None:
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"))
    return found[-1].parent if found else None
