"""The history's side of a score, and the command that joins it with a truth."""

from __future__ import annotations

import json
from datetime import datetime
from pathlib import Path

import polars as pl
import pytest

from dashboards.main import main
from dashboards.score.history import read_history
from dashboards.score.tables import SHAPES
from store.history import History
from store.schema import AIR_EVENT

AT = datetime(2026, 3, 1, 5)  # noqa: DTZ001 - the tables hold naive UTC


@pytest.fixture
def db(tmp_path: Path) -> Path:
    path = tmp_path / "h.duckdb"
    History.open(path).close()
    return path


@pytest.fixture
def truth(tmp_path: Path) -> Path:
    folder = tmp_path / "truth"
    folder.mkdir()
    frame = pl.DataFrame({"stall": [7], "start_at": [AT], "end_at": [AT]})
    frame.write_parquet(folder / "truth_milkings.parquet")
    return folder


def test_an_empty_history_has_empty_tables(db: Path) -> None:
    """Every table is there, holds nothing, and what its columns cannot tell is named."""
    with History.open(db, read_only=True) as history:
        record = read_history(history)
    assert (record.events, record.milkings, record.support, record.plant) == ((), (), (), ())
    untold = [f"events.{c}" for c in SHAPES["events"].wished if c not in AIR_EVENT.column_names]
    assert record.missing == tuple(untold)


def test_a_truth_of_milkings_alone_is_scored(
    db: Path, truth: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """What the truth tells is scored, the rest is null, and the notes say why."""
    assert main(["score", "--db", str(db), "--truth", str(truth), "--json"]) == 0
    score = json.loads(capsys.readouterr().out)
    assert (score["events"], score["support"], score["plant"]) == (None, None, None)
    assert score["milkings"]["counts"]["missed"] == 1
    assert "the history holds nothing within the truth's parlors and time" in score["notes"]


def test_a_picture_that_cannot_be_is_one_line(
    db: Path, truth: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Without true events there is nothing to draw; a folder that is not there cannot be written to."""
    words = ["score", "--db", str(db), "--truth", str(truth), "--picture", str(truth / "none" / "s.svg")]
    assert main(words) == 2
    assert "nothing to draw" in capsys.readouterr().err
    frame = pl.DataFrame({"stall": [7], "start_at": [AT], "end_at": [AT]})
    frame.write_parquet(truth / "truth_events.parquet")
    assert main(words) == 2
    assert "s.svg: cannot be written" in capsys.readouterr().err
