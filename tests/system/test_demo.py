"""The demonstration as a whole process: it ends by itself, explains itself, and can be replayed."""

from __future__ import annotations

import json
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import polars as pl
import pytest

from dashboards.cautions import CAUTIONS, SIMULATED
from dashboards.main import main
from store.history import History

pytestmark = pytest.mark.system


@dataclass(frozen=True)
class Demo:
    """One finished demonstration: its folder, exit code and words."""

    folder: Path
    code: int
    out: str
    error: str


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Demo:
    folder = tmp_path_factory.mktemp("demo")
    words = ["demo", "--headless", "--minutes", "1", "--speed", "20", "--stalls", "8", "--seed", "3", "--out"]
    done = subprocess.run(  # noqa: S603 - our own program
        [sys.executable, "-m", "dashboards.main", *words, str(folder)],
        capture_output=True,
        text=True,
        stdin=subprocess.DEVNULL,
        timeout=300,
        check=False,
    )
    return Demo(folder, done.returncode, done.stdout, done.stderr)


def test_the_demonstration_ends_by_itself_with_a_summary(demo: Demo) -> None:
    """Exit 0, the figures a farmer asks for, the score, the cautions, and that it is a simulation."""
    assert demo.code == 0, demo.error
    words = ("milkings", "slips per 100 milkings", "litres", "unsupported", "Worst stalls", "fall-offs")
    assert [word for word in words if word not in demo.out] == []
    assert "Against the simulation's truth:" in demo.out
    assert SIMULATED in demo.out
    assert all(caution in demo.out for caution in CAUTIONS)


def test_milkings_of_the_demonstration_are_real(demo: Demo) -> None:
    """Twenty simulated minutes of eight stalls hold milkings, each with a cow and a yield."""
    assert main(["export", "--db", str(demo.folder / "demo.duckdb"), "--out", str(demo.folder / "t")]) == 0
    milkings = pl.read_parquet(demo.folder / "t" / "milking" / "*.parquet")
    assert milkings.height >= 8
    assert milkings["yield_kg"].min() >= 0.0  # type: ignore[operator]
    assert milkings["cow"].null_count() == 0


def test_live_is_replay(demo: Demo, tmp_path: Path) -> None:
    """The capture of the live run, replayed, gives the same tables row by row."""
    db, replayed = demo.folder / "demo.duckdb", tmp_path / "replayed.duckdb"
    capture = str(demo.folder / "capture.parquet")
    assert main(["replay", capture, "--db", str(replayed), "--set", "parlor.stalls=8"]) == 0
    for source, side in ((db, "live"), (replayed, "replayed")):
        assert main(["export", "--db", str(source), "--out", str(tmp_path / side)]) == 0
    for table in ("milking", "air_event", "support_event", "plant_event", "condition_event", "quarantine"):
        live, again = (
            pl.read_parquet(tmp_path / side / table / "*.parquet") for side in ("live", "replayed")
        )
        assert live.equals(again), table


def test_the_record_is_read_to_its_end(demo: Demo) -> None:
    """Every stall's place is within the last seconds of the twenty minutes, also when frames came twice."""
    with History.open(demo.folder / "demo.duckdb", read_only=True) as history:
        newest = dict(history.reader().execute("SELECT topic, t_ns FROM watermark").fetchall())
    vacuum_ns = [t_ns for topic, t_ns in newest.items() if topic.endswith("/vacuum")]
    assert len(vacuum_ns) == 9
    assert max(vacuum_ns) - min(vacuum_ns) <= 5 * 10**9
    first = pl.read_parquet(demo.folder / "capture.parquet").row(0, named=True)
    begun_ns = json.loads(first["payload"])["t_ms"] * 10**6
    assert min(vacuum_ns) - begun_ns >= (1200 - 5) * 10**9
