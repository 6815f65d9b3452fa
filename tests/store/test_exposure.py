"""Exposure as kept is exposure as counted: whatever is stored, loaded, imported, corrected or withdrawn."""

from __future__ import annotations

import json
import random
from contextlib import suppress
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any, Final

import duckdb
import pytest

from detect.results import Milking
from store.exchange import export_tables, load_tables
from store.exposure import FRESH_DAYS, HIGH_SCC, LONGEST_INTERVAL_DAYS, RECOVERY_DAYS
from store.health.importer import import_health
from store.history import Batch, History
from store.migrations import STEPS, migrate
from store.results import append_results
from tests.store.drawn import PARLOR, SECOND_NS, milking, rows

FIRST: Final = date(2026, 1, 5)
DAY_NS: Final = 86_400 * SECOND_NS
SPELLINGS: Final = ("17", "0017", "18", "NL 6802", "nl-6802", "19")
PLAIN: Final = f"""
WITH tests AS (
    SELECT
        cow_key(cow) AS cow, date AS to_date, scc_cells_ml AS scc_after, parity, dim, group_name,
        lag(date) OVER earlier AS from_date, lag(scc_cells_ml) OVER earlier AS scc_before
    FROM test_day
    WINDOW earlier AS (PARTITION BY cow_key(cow) ORDER BY date)
),
first_case AS (SELECT cow_key(cow) AS cow, min(date) AS case_date FROM clinical_case GROUP BY ALL),
spans AS (
    SELECT
        tests.*,
        coalesce(case_date > from_date AND case_date <= to_date, false) AS clinical,
        CASE WHEN clinical THEN case_date ELSE to_date END AS event_date,
        scc_before < {HIGH_SCC}
            AND to_date - from_date <= {LONGEST_INTERVAL_DAYS}
            AND coalesce(dim >= to_date - from_date AND dim > {FRESH_DAYS}, true)
            AND coalesce(case_date > from_date OR case_date < from_date - {RECOVERY_DAYS}, true) AS at_risk
    FROM tests LEFT JOIN first_case USING (cow)
    WHERE from_date IS NOT NULL
),
known AS (SELECT DISTINCT cow AS said, cow_key(cow) AS cow FROM milking WHERE cow IS NOT NULL),
milked AS (
    SELECT known.cow, start_at, slips, late_slips, fall_offs
    FROM milking JOIN known ON milking.cow = known.said
    WHERE complete
)
SELECT
    spans.cow, from_date, to_date, event_date, scc_before, scc_after, clinical, at_risk,
    clinical OR scc_after >= {HIGH_SCC} AS infected,
    any_value(parity) AS parity, any_value(dim) AS dim, any_value(group_name) AS group_name,
    count(start_at) AS milkings,
    coalesce(sum(slips), 0)::BIGINT AS slips,
    coalesce(sum(late_slips), 0)::BIGINT AS late_slips,
    coalesce(sum(fall_offs), 0)::BIGINT AS fall_offs
FROM spans LEFT JOIN milked
    ON milked.cow = spans.cow AND start_at >= from_date AND start_at < event_date - INTERVAL 1 DAY
GROUP BY ALL
ORDER BY ALL
"""  # noqa: S608 - constants of our own
"""The plain count that this table replaced: every interval against all milkings of its cow."""


def kept(history: History) -> list[tuple[Any, ...]]:
    return rows(history, "FROM cow_exposure ORDER BY ALL")


def counted(history: History) -> list[tuple[Any, ...]]:
    return rows(history, PLAIN)


def drawn_milkings(rng: random.Random, number: int, first: int = 0) -> list[Milking]:
    """Return milkings of few cows over four months, some unnamed, some incomplete."""
    start_ns = int(datetime(FIRST.year, FIRST.month, FIRST.day, tzinfo=UTC).timestamp()) * SECOND_NS
    return [
        milking(
            first + n,
            cow=rng.choice((*SPELLINGS, None)),
            complete=rng.random() < 0.8,
            start_ns=(at_ns := start_ns + rng.randrange(120 * DAY_NS) // 10**6 * 10**6),
            end_ns=at_ns + 400 * SECOND_NS,
            slips=rng.randrange(4),
            late_slips=rng.randrange(2),
            fall_offs=rng.randrange(2),
        )
        for n in range(number)
    ]


def drawn_test_days(rng: random.Random) -> str:
    """Return the CSV of some test days, on a few of which a cow is tested twice."""
    lines = {
        (rng.choice(SPELLINGS), FIRST + timedelta(days=rng.randrange(120))): (
            f"{rng.choice((50_000, 150_000, 250_000))},{rng.randrange(1, 5)},{rng.randrange(1, 300)}"
        )
        for _ in range(20)
    }
    return "cow,date,scc_cells_ml,parity,dim\n" + "\n".join(
        f"{cow},{day},{rest}" for (cow, day), rest in sorted(lines.items())
    )


def cases(rng: random.Random) -> str:
    """Return the CSV of some clinical cases."""
    lines = {f"{rng.choice(SPELLINGS)},{FIRST + timedelta(days=rng.randrange(120))},lf" for _ in range(3)}
    return "cow,date,quarter\n" + "\n".join(sorted(lines))


def records(history: History, folder: Path, text: str) -> None:
    file = folder / "records.csv"
    file.write_text(text)
    import_health(history, [file])


@pytest.mark.parametrize("seed", range(8))
def test_milkings_and_records_in_any_order_count_the_same(
    history: History, tmp_path: Path, seed: int
) -> None:
    """Milkings stored before, between and after imports, corrections and loads are counted once."""
    rng = random.Random(seed)
    for step in range(4):
        history.commit(Batch(PARLOR, drawn_milkings(rng, 60, first=1000 * step)))
        records(history, tmp_path, drawn_test_days(rng))
        history.commit(Batch(PARLOR, drawn_milkings(rng, 60, first=1000 * step + 500)))
        assert kept(history) == counted(history)
        records(history, tmp_path, cases(rng))
        assert kept(history) == counted(history)
    assert sum(row[-4] for row in kept(history)) > 30, "nothing was counted"


def test_a_milking_that_is_late_joins_its_interval(history: History, tmp_path: Path) -> None:
    """Two milkings of one commit that fall into one interval are both added."""
    records(history, tmp_path, "cow,date,scc_cells_ml\n17,2026-03-01,100000\n17,2026-03-31,250000\n")
    at_ns = int(datetime(2026, 3, 10, tzinfo=UTC).timestamp()) * SECOND_NS
    pair = [
        milking(n, cow=cow, slips=2, start_ns=at_ns + n, end_ns=at_ns + SECOND_NS)
        for n, cow in enumerate(("017", "17"))
    ]
    history.commit(Batch(PARLOR, pair))
    assert rows(history, "SELECT milkings, slips FROM cow_exposure") == [(2, 4)]
    assert kept(history) == counted(history)


def test_what_is_loaded_from_elsewhere_is_counted(history: History, tmp_path: Path) -> None:
    """Loading tables of another history, twice, counts their milkings and test days once."""
    rng = random.Random(5)
    with History.open(tmp_path / "other.duckdb") as other:
        other.commit(Batch(PARLOR, drawn_milkings(rng, 200)))
        records(other, tmp_path, drawn_test_days(rng))
        export_tables(other, tmp_path / "tables")
    history.commit(Batch(PARLOR, drawn_milkings(rng, 50, first=5000)))
    records(history, tmp_path, drawn_test_days(rng))
    for _ in range(2):
        load_tables(history, tmp_path / "tables")
        assert kept(history) == counted(history)


def test_a_withdrawn_test_day_is_counted_no_more(history: History, tmp_path: Path) -> None:
    """An interval goes with the test day that ended it."""
    records(history, tmp_path, "cow,date,scc_cells_ml\n17,2026-03-01,100000\n17,2026-03-31,250000\n")
    assert len(kept(history)) == 1
    withdrawn = {
        "resourceType": "icarTestDayResultEventResource",
        "animal": {"id": "17"},
        "eventDateTime": "2026-03-31T00:00:00Z",
        "milkCharacteristics": [{"characteristic": "SCC", "value": "250"}],
        "meta": {"isDeleted": True},
    }
    records(history, tmp_path, json.dumps(withdrawn))
    assert kept(history) == []


def test_a_commit_that_fails_counts_nothing(history: History, tmp_path: Path) -> None:
    """The count is part of the transaction that stores the milking."""
    records(history, tmp_path, "cow,date,scc_cells_ml\n17,2026-03-01,100000\n17,2026-03-31,250000\n")
    at_ns = int(datetime(2026, 3, 10, tzinfo=UTC).timestamp()) * SECOND_NS
    with suppress(RuntimeError), history.transaction() as connection:
        append_results(connection, [milking(1, cow="17", slips=2, start_ns=at_ns, end_ns=at_ns + SECOND_NS)])
        raise RuntimeError
    assert rows(history, "SELECT milkings, slips FROM cow_exposure") == [(0, 0)]


def test_a_file_of_the_version_before_is_counted_when_it_is_opened(path: Path, tmp_path: Path) -> None:
    """Bringing a file up to date counts what it holds."""
    rng = random.Random(9)
    with History.open(tmp_path / "new.duckdb") as new:
        new.commit(Batch(PARLOR, drawn_milkings(rng, 200)))
        records(new, tmp_path, drawn_test_days(rng))
    with duckdb.connect(path) as connection:
        migrate(connection, steps=STEPS[:8])
        connection.execute(f"ATTACH '{tmp_path / 'new.duckdb'}' AS new (READ_ONLY)")
        for table in ("milking", "test_day"):
            connection.execute(f"INSERT INTO {table} FROM new.{table}")
    with History.open(path) as history:
        assert kept(history) == counted(history)
        assert len(kept(history)) > 5
