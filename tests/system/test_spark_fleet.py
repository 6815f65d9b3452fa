"""The same fleet on Apache Spark: the same tables, through kills too, and the same answers in its SQL."""

from __future__ import annotations

import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from ingest.fleet.layout import plan_fleet
from ingest.fleet.run import run_fleet
from ingest.fleet.spark import SparkEngine, open_views
from store.fleet.lake import Lake
from store.query import run_query
from tests.ingest.barns import Barn, digest, fleet_tables, lay, replayed_tables, three_barns
from tests.store.milk_lake import COUNTED, filled
from tests.system.spark_workers import kill_when, workers_of

pytestmark = pytest.mark.system
SLIPS = "SELECT * FROM fleet_slips ORDER BY parlor, liner, month"


@pytest.fixture(scope="session")
def engine() -> Iterator[SparkEngine]:
    """Start Spark once, with two cores of this machine."""
    with SparkEngine.open("local[2]") as opened:
        opened.session.conf.set("spark.sql.shuffle.partitions", "2")  # for a handful of rows
        yield opened


@pytest.fixture(scope="module")
def barns() -> list[Barn]:
    """Simulate three parlors that are milked over midnight."""
    return three_barns(minutes=7.0)


@pytest.fixture(scope="module")
def captures(barns: list[Barn], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Lay their captures out, cut mid-milking."""
    folder = tmp_path_factory.mktemp("captures")
    lay(barns, folder)
    return folder


@pytest.fixture(scope="module")
def replayed(barns: list[Barn], tmp_path_factory: pytest.TempPathFactory) -> str:
    """Return the hash of the tables of their replays."""
    return digest(replayed_tables(barns, tmp_path_factory.mktemp("replays")))


@pytest.fixture(scope="module")
def out(engine: SparkEngine, captures: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Let Spark do it all."""
    folder = tmp_path_factory.mktemp("out")
    summary = run_fleet(plan_fleet(captures, folder), engine, folder, tell=lambda _: None)
    assert (summary.done, summary.kept, summary.failures) == (6, 0, ())
    return folder


def test_spark_gives_the_tables_of_replays(out: Path, replayed: str) -> None:
    """Executors on two cores tell what one replay a parlor tells."""
    assert digest(fleet_tables(out)) == replayed


def test_killed_workers_change_nothing(
    engine: SparkEngine, captures: Path, replayed: str, tmp_path: Path
) -> None:
    """Python workers are killed once the first day is done: the jobs go on from there, same tables."""
    plan = plan_fleet(captures, tmp_path)
    reports = threading.Thread(target=lambda: list(engine.run(plan.tasks)))
    reports.start()
    begun = lambda: any(tmp_path.glob("_runs/*/record.json"))  # noqa: E731 - asked many times a second
    killed = kill_when(begun, lambda: workers_of(engine.session), most_s=120.0)
    reports.join()
    assert killed > 0
    again = run_fleet(plan, engine, tmp_path, tell=lambda _: None)
    assert (again.done, again.kept, again.failures) == (0, 6, ())
    assert digest(fleet_tables(tmp_path)) == replayed


def test_both_engines_answer_alike(engine: SparkEngine, out: Path, tmp_path: Path) -> None:
    """Slips per 100 by parlor, liner and month are equal in DuckDB and in Spark SQL."""
    for lake in (filled(tmp_path), out):
        with Lake(lake) as opened:
            duck = run_query(opened, SLIPS).rows
        open_views(engine.session, lake)
        spark = [tuple(row) for row in engine.session.sql(SLIPS).collect()]
        assert duck
        assert [row[:5] for row in spark] == [row[:5] for row in duck]
        assert [row[5:] for row in spark] == [pytest.approx(row[5:], rel=1e-12) for row in duck]
        if lake == tmp_path:
            assert spark == COUNTED


def test_the_core_never_loads_spark() -> None:
    """Everything but the engine itself is loaded without it."""
    program = (
        "import sys, dashboards.main, dashboards.serve, dashboards.commands.fleet, ingest.fleet.pool, "
        "ingest.fleet.run, ingest.fleet.ship, store.fleet.lake\n"
        "sys.exit(' '.join({'pyspark', 'pyarrow', 'py4j'} & set(sys.modules)) or None)"
    )
    ended = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=False)  # noqa: S603
    assert (ended.returncode, ended.stderr) == (0, "")
