"""A simulated record goes all the way: capture, history, score, tables and back."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from dashboards.main import main

pytestmark = pytest.mark.system


@pytest.fixture(scope="module")
def trial(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("trial")
    assert main(["simulate", "--seed", "5", "--stalls", "6", "--hours", "0.35", "--out", str(folder)]) == 0
    assert main(["replay", str(folder / "capture.parquet"), "--db", str(folder / "h.duckdb")]) == 0
    return folder


def answer(db: Path, sql: str, capsys: pytest.CaptureFixture[str]) -> list[dict[str, Any]]:
    capsys.readouterr()
    assert main(["query", "--db", str(db), "--format", "json", sql]) == 0
    return list(json.loads(capsys.readouterr().out))


def test_the_truth_and_the_history_meet(trial: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The score as JSON: true milkings are found at both ends with their yield; the picture is drawn."""
    picture = trial / "score.svg"
    words = ["score", "--db", str(trial / "h.duckdb"), "--truth", str(trial), "--json", "--picture"]
    words.append(str(picture))
    assert main(words) == 0
    score = json.loads(capsys.readouterr().out)
    assert score["milkings"]["counts"]["truth"] >= 5
    assert score["milkings"]["within_15_s"] >= 0.9
    assert score["milkings"]["counts"]["false"] == 0
    assert score["milkings"]["yield_error_ratio"]["p50"] < 0.05
    assert score["notes"] == [note for note in score["notes"] if note.startswith("the history does not tell")]
    assert picture.read_text().startswith("<svg")


def test_the_same_seed_gives_the_same_capture(trial: Path, tmp_path: Path) -> None:
    """A record can be made again from its seed, byte by byte."""
    assert main(["simulate", "--seed", "5", "--stalls", "6", "--hours", "0.35", "--out", str(tmp_path)]) == 0
    first, second = (pl.read_parquet(folder / "capture.parquet") for folder in (trial, tmp_path))
    assert first.equals(second)


def test_a_second_replay_adds_nothing(trial: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Reading a capture twice stores nothing twice."""
    sql = "SELECT (SELECT count(*) FROM milking) AS m, (SELECT count(*) FROM air_event) AS a"
    before = answer(trial / "h.duckdb", sql, capsys)
    assert main(["replay", str(trial / "capture.parquet"), "--db", str(trial / "h.duckdb")]) == 0
    assert answer(trial / "h.duckdb", sql, capsys) == before
    assert before[0]["m"] >= 5


def test_tables_survive_the_way_out_and_in(
    trial: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exported, loaded elsewhere and exported again the tables are the same, notes included."""
    db, other = trial / "h.duckdb", tmp_path / "other.duckdb"
    assert main(["note", "--db", str(db), "--at", "2031-03-03T04:40", "--stalls", "2", "liners changed"]) == 0
    assert main(["export", "--db", str(db), "--out", str(tmp_path / "a")]) == 0
    assert main(["load", "--tables", str(tmp_path / "a"), "--db", str(other)]) == 0
    assert main(["export", "--db", str(other), "--out", str(tmp_path / "b")]) == 0
    tables = sorted(path.name for path in (tmp_path / "a").iterdir())
    assert {"milking", "air_event", "maintenance"} <= set(tables)
    for table in tables:
        first, second = (pl.read_parquet(tmp_path / side / table / "*.parquet") for side in "ab")
        assert first.equals(second), table
    assert answer(other, "SELECT what, stall FROM maintenance", capsys) == [
        {"what": "liners changed", "stall": 2}
    ]
