"""A fleet from the command line: simulate, ship, detect, ask; what is wrong is told and nothing else lost."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from dashboards.main import main

pytestmark = pytest.mark.system
NIGHT = "2031-03-03T23:57:00Z"
PARLORS = ("ferncroft", "oakhollow")


@pytest.fixture(scope="module")
def captures(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Simulate two small parlors over midnight and ship them."""
    folder = tmp_path_factory.mktemp("fleet")
    for seed, parlor in enumerate(PARLORS):
        words = ["simulate", "--seed", seed, "--stalls", 4, "--hours", 0.1, "--start", NIGHT]
        record = folder / parlor
        assert main([*map(str, words), "--parlor", parlor, "--out", str(record)]) == 0
        assert main(["ship", str(record / "capture.parquet"), "--captures", str(folder / "captures")]) == 0
    return folder / "captures"


def test_shipped_captures_become_tables(
    captures: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Two parlors with two days each are four steps, kept when they are asked for again."""
    words = ["fleet", "--captures", str(captures), "--out", str(tmp_path), "--workers", "2"]
    assert main(words) == 0
    assert "4 steps done, 0 kept" in capsys.readouterr().out
    assert main(words) == 0
    assert "0 steps done, 4 kept" in capsys.readouterr().out
    sql = "SELECT parlor, min(detector_version) AS version, count(*) AS n FROM milking GROUP BY 1 ORDER BY 1"
    assert main(["query", "--fleet", str(tmp_path), "--format", "json", sql]) == 0
    rows = json.loads(capsys.readouterr().out)
    assert [row["parlor"] for row in rows] == list(PARLORS)
    assert all(row["version"] is not None and row["n"] > 0 for row in rows)


def test_a_damaged_file_ends_with_an_exit_code(
    captures: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The file and the reason are one line; the rest is done."""
    bad = captures / "oakhollow" / "2031-03-04" / "99.parquet"
    bad.write_bytes(b"PAR1 and then nothing")
    try:
        assert main(["fleet", "--captures", str(captures), "--out", str(tmp_path), "--workers", "1"]) == 2
    finally:
        bad.unlink()
    told = capsys.readouterr()
    assert "4 steps done" in told.out
    assert "quietclaw: oakhollow/2031-03-04/99.parquet: cannot be read as Parquet" in told.err
    assert f"failures: 1, all of them in {tmp_path}" in told.err


@pytest.mark.parametrize(
    ("words", "complaint"),
    [
        (["fleet", "--captures", "HERE/nowhere", "--out", "HERE"], "nowhere: no such folder"),
        (
            ["fleet", "--captures", "HERE", "--out", "HERE", "--master", "local", "--workers", "2"],
            "one of them",
        ),
        (["query", "--fleet", "HERE", "SELECT 1"], "no fleet run has written"),
        (["query", "SELECT 1"], "--fleet DIR"),
        (["simulate", "--out", "HERE", "--parlor", "a/b"], "--parlor"),
    ],
)
def test_mistakes_are_one_line(
    words: list[str],
    complaint: str,
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """What the user gave wrong ends with 2 and says what to do."""
    monkeypatch.chdir(tmp_path)
    assert main(words) == 2
    told = capsys.readouterr().err
    assert complaint in told
    assert told.count("\n") == 1
