"""The command line answers every mistake with one line and the right exit code."""

from __future__ import annotations

import re
import sqlite3
from pathlib import Path

import polars as pl
import pytest

from dashboards.main import app, main
from simulator.scenario import PRESETS
from store.history import History

COMMANDS = sorted(str(command.name) for command in app.registered_commands)


@pytest.fixture
def db(tmp_path: Path) -> Path:
    path = tmp_path / "farm.duckdb"
    History.open(path).close()
    return path


def one_line(capsys: pytest.CaptureFixture[str]) -> str:
    error = capsys.readouterr().err
    assert error.startswith("quietclaw: ")
    assert error.count("\n") == 1
    return error


def test_help_names_every_preset(capsys: pytest.CaptureFixture[str]) -> None:
    """What ``--preset`` takes is what its help says."""
    main(["simulate", "--help"])
    told = set(re.findall(r"\w+", capsys.readouterr().out))
    assert set(PRESETS) <= told


@pytest.mark.parametrize("command", COMMANDS)
def test_help_shows_an_example(command: str, capsys: pytest.CaptureFixture[str]) -> None:
    """Each command's help shows how it is called, on one line that can be copied, of which nothing is cut."""
    assert main([command, "--help"]) == 0
    lines = capsys.readouterr().out.splitlines()
    example = next(k for k, line in enumerate(lines) if line.startswith(f"  Example: quietclaw {command}"))
    assert lines[example + 1] == ""


@pytest.mark.parametrize("command", COMMANDS)
def test_an_unknown_option_is_one_line(command: str, capsys: pytest.CaptureFixture[str]) -> None:
    """A typing error in an option ends with exit 2 and names the option and where to look."""
    assert main([command, "--nonsense"]) == 2
    error = one_line(capsys)
    assert "--nonsense" in error
    assert f"quietclaw {command} --help" in error


def test_no_words_show_the_help(capsys: pytest.CaptureFixture[str]) -> None:
    """The bare program lists its commands."""
    assert main([]) == 0
    out = capsys.readouterr().out
    assert all(command in out for command in COMMANDS)
    assert "..." not in out.split("Commands:")[1], "a description is cut"
    assert all(f"{code} " in out.split("Exit codes:")[1] for code in (0, 2, 3, 4))


def test_the_version_is_told(capsys: pytest.CaptureFixture[str]) -> None:
    """--version prints the installed version and nothing else."""
    assert main(["--version"]) == 0
    assert capsys.readouterr().out.startswith("quietclaw 0.")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["fly"], "fly"),
        (["query", "SELECT 1"], "give one of --db FILE, --url URL and --fleet DIR"),
        (["query", "--url", "ftp://x", "SELECT 1"], "--url"),
        (["query", "--db", "{db}", "SELECT FROM WHERE"], "syntax error"),
        (["query", "--db", "{db}", "DELETE FROM milking"], "only SELECT"),
        (["query", "--db", "{db}", "--format", "xml", "SELECT 1"], "--format"),
        (["note", "--db", "{db}", "--at", "soon", "liners changed"], "--at"),
        (["note", "--db", "{db}", "--stalls", "x", "liners changed"], "--stalls"),
        (["note", "--db", "{db}", "  "], "must say what was done"),
        (["score", "--db", "{db}", "--truth", "{here}/none"], "no such file"),
        (["load", "--db", "{db}", "--tables", "{here}/none"], "no such folder"),
        (["replay", "{here}/none.parquet", "--db", "{here}/new.duckdb"], "none.parquet"),
        (["run", "--config", "{here}/none.toml"], "none.toml"),
        (["simulate", "--stalls", "0", "--out", "{here}/s"], "stalls"),
        (["demo", "--headless", "--speed", "-1"], "--speed"),
        (["backup", "--out", "{here}/b"], "either --db FILE or --url URL"),
        (["token", "--file", "{here}/t", "--name", "a b", "--role", "view"], "--name"),
        (["token", "--file", "{here}/t", "--name", "a", "--role", "king"], "--role"),
    ],
)
def test_wrong_input_is_one_line_and_exit_2(
    words: list[str], said: str, db: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Whatever the user gives wrong, the line says what and where."""
    assert main([word.format(db=db, here=db.parent) for word in words]) == 2
    assert said in one_line(capsys)


def test_a_store_that_cannot_be_used_is_exit_3(db: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Another database's file is refused as a store error."""
    foreign = db.with_name("foreign.duckdb")
    sqlite3.connect(foreign).close()
    foreign.write_bytes(b"SQLite format 3\0" + bytes(4096))
    assert main(["query", "--db", str(foreign), "SELECT 1"]) == 3
    assert "foreign.duckdb" in one_line(capsys)


@pytest.mark.parametrize("form", ["table", "csv", "json", "parquet"])
def test_an_answer_comes_in_every_format(
    form: str, db: Path, capfdbinary: pytest.CaptureFixture[bytes]
) -> None:
    """The answer goes to standard output as asked."""
    assert main(["query", "--db", str(db), "--format", form, "SELECT 42 AS answer"]) == 0
    out = capfdbinary.readouterr().out
    assert (b"PAR1" if form == "parquet" else b"42") in out


def test_notes_are_kept_for_the_stalls_they_name(db: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A note for three stalls is three rows; without a list it concerns all."""
    at = ["--at", "2026-03-01T05:30+02:00"]
    assert main(["note", "--db", str(db), *at, "--stalls", "3,17-18", "hose supports adjusted"]) == 0
    assert main(["note", "--db", str(db), *at, "vacuum set"]) == 0
    capsys.readouterr()
    sql = 'SELECT "at", stall, what FROM maintenance ORDER BY what, stall'
    assert main(["query", "--db", str(db), "--format", "csv", sql]) == 0
    assert capsys.readouterr().out.splitlines()[1:] == [
        "2026-03-01T03:30:00.000000,3,hose supports adjusted",
        "2026-03-01T03:30:00.000000,17,hose supports adjusted",
        "2026-03-01T03:30:00.000000,18,hose supports adjusted",
        "2026-03-01T03:30:00.000000,,vacuum set",
    ]


def test_tables_go_out_and_come_back(db: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Exported tables load into another history; loading them again adds nothing."""
    tables, other = db.with_name("tables"), db.with_name("other.duckdb")
    assert main(["note", "--db", str(db), "--at", "2026-03-01", "liners changed"]) == 0
    assert main(["export", "--db", str(db), "--out", str(tables)]) == 0
    assert pl.read_parquet(tables / "maintenance" / "*.parquet").height == 1
    assert main(["load", "--tables", str(tables), "--db", str(other)]) == 0
    assert "maintenance: 1 new" in capsys.readouterr().out
    assert main(["load", "--tables", str(tables), "--db", str(other)]) == 0
    assert "maintenance: 0 new, 1 known" in capsys.readouterr().out
