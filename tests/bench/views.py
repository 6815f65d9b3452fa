"""The advisor's views over a year of 80 stalls, warm, and the same questions in PostgreSQL."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any, Final

import polars as pl

from store.exchange import load_tables
from store.health.importer import import_health
from store.history import History
from tests.bench.figures import Row, Size, Stopwatch, significant
from tests.bench.postgres import QUESTIONS, Postgres, installed
from tests.dashboards.season import Season, write_season

PART: Final = "views"
BAR_S: Final = 0.2
SEED: Final = 31


def measure(size: Size) -> Iterator[Row]:
    """Measure every documented view in both engines in turns, all rows fetched."""
    folder = Path(tempfile.mkdtemp())
    try:
        yield from _measured(folder, size)
    finally:
        shutil.rmtree(folder)


def _measured(folder: Path, size: Size) -> Iterator[Row]:
    write_season(Season(SEED, stalls=size.stalls, cows=size.cows, days=size.days), folder)
    with ExitStack() as stack:
        history = stack.enter_context(History.open(folder / "farm.duckdb"))
        load_tables(history, folder / "tables")
        import_health(history, [folder / "testdays.csv"])
        peer = stack.enter_context(Postgres(history)) if installed() else None
        milkings = pl.scan_parquet(folder / "tables/milking/data.parquet").select(pl.len()).collect().item()
        for view in QUESTIONS:
            yield _row(view, history, peer, milkings, size.runs)
        if peer is None:
            yield Row(PART, "the same in PostgreSQL", "not installed")


def _row(view: str, history: History, peer: Postgres | None, milkings: int, runs: int) -> Row:
    """Time one view in turns with its rival, once each beforehand to warm."""
    reader = history.reader()
    sql = f"SELECT * FROM {view}"  # noqa: S608 - names of our own
    rows = reader.execute(sql).fetchall()
    ours, theirs = Stopwatch(), []
    if peer is not None:
        exact = [k for k, column in enumerate(reader.description) if str(column[1]) != "DOUBLE"]
        assert_same(rows, peer.ask(view)[0], exact)
    for _ in range(runs):
        ours.run(lambda: reader.execute(sql).fetchall())
        if peer is not None:
            theirs.append(peer.ask(view)[1])
    reader.close()
    clock_s, cpu_s = ours.timing.clock_s, ours.timing.cpu_s
    figure = f"{1e3 * clock_s:.0f} ms ({1e3 * cpu_s:.0f} ms of processors), {len(rows)} rows"
    if theirs:
        peer_s = sorted(theirs)[len(theirs) // 2]
        figure += f"; PostgreSQL {1e3 * peer_s:.0f} ms, {significant(peer_s / clock_s)} times"
    return Row(PART, f"`{view}` of {milkings} milkings", figure, f"{BAR_S} s", clock_s < BAR_S)


def assert_same(ours: list[tuple[Any, ...]], theirs: list[list[str]], columns: list[int]) -> None:
    """Hold the rows of both engines against each other, in all columns but those of rounded numbers."""
    mine = sorted([_text(row[k]) for k in columns] for row in ours)
    assert mine == sorted([row[k] for k in columns] for row in theirs), "the engines disagree"


def _text(value: object) -> str:
    """Return a value as PostgreSQL writes it."""
    if value is None:
        return ""
    return str(value)[0].lower() if isinstance(value, bool) else str(value)
