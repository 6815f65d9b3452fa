"""Seasons with known truth, from tables and records through the commands to the figures."""

from __future__ import annotations

import json
import math
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from dashboards.main import main
from tests.dashboards.season import PARLOR, Cows, Season, write_season

RISEN = Season(seed=3)
QUIET = Season(seed=11, effect=False, kinds=Cows.SPREAD)
SMALL = Season(seed=5, stalls=10, cows=60, days=90, bad_day=30, remedy_day=60)


def stored(season: Season, folder: Path) -> Path:
    write_season(season, folder)
    db = folder / "farm.duckdb"
    assert main(["load", "--tables", str(folder / "tables"), "--db", str(db)]) == 0
    assert main(["health", str(folder / "testdays.csv"), "--db", str(db)]) == 0
    return db


def figures(command: str, db: Path, *words: str) -> dict[str, Any]:
    target = db.with_name("figures.json")
    assert main([command, "--db", str(db), "--json", str(target), *words]) == 0
    found: dict[str, Any] = json.loads(target.read_text())
    return found


@pytest.fixture(scope="module")
def risen(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return stored(RISEN, tmp_path_factory.mktemp("risen"))


@pytest.fixture(scope="module")
def found(risen: Path) -> dict[str, Any]:
    return figures("investigate", risen)


@pytest.fixture(scope="module")
def quiet(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return stored(QUIET, tmp_path_factory.mktemp("quiet"))


def test_the_bad_stalls_are_the_only_outliers(found: dict[str, Any]) -> None:
    """Two stalls of forty that slip four times as often stand out, worst first, and no other."""
    assert {unit["stall"] for unit in found["stalls"] if unit["outlier"]} == set(RISEN.bad_stalls)
    assert {unit["stall"] for unit in found["stalls"][:2]} == set(RISEN.bad_stalls)
    assert all(unit["ci_low"] <= unit["shrunk_ratio"] <= unit["ci_high"] for unit in found["stalls"])
    assert len(found["stalls"]) == RISEN.stalls
    assert all((unit["q"] < 0.01) == unit["outlier"] for unit in found["stalls"])


def test_the_day_of_the_change_is_found(found: dict[str, Any]) -> None:
    """The rise is dated within five days, in those stalls, and the period begins with it."""
    rise = next(change for change in found["change_points"] if change["ratio"] > 1)
    assert abs(date.fromisoformat(rise["date"]) - RISEN.bad_date) <= timedelta(days=5)
    assert set(rise["stalls"]) == set(RISEN.bad_stalls)
    assert rise["ci_low"] <= RISEN.bad_ratio <= rise["ci_high"]
    assert found["period"]["from"] == rise["date"]
    assert found["rate"]["ci_low"] > 1.0
    assert found["rate"]["wide_ci_low"] <= found["rate"]["ci_low"]
    assert found["rate"]["within_stalls_ratio"] == pytest.approx(found["rate"]["ratio"], rel=0.02)


def test_exposed_cows_are_at_twice_the_risk(found: dict[str, Any]) -> None:
    """The pooled risk ratio covers 2 and excludes 1; the counts add up; strata were used."""
    exposure = found["exposure"]
    assert exposure["mh_ci_low"] > 1.0
    assert exposure["mh_ci_low"] <= RISEN.risk_ratio <= exposure["mh_ci_high"]
    assert abs(exposure["mh_risk_ratio"] - RISEN.risk_ratio) <= 0.25 * RISEN.risk_ratio
    assert 0.0 < exposure["attributable_ci_low"] < exposure["attributable_fraction"] < 1.0
    assert exposure["trend_p"] < 0.05
    assert exposure["strata"] >= 4
    assert exposure["mh_odds_ratio"] > exposure["mh_risk_ratio"]
    crude = (
        exposure["exposed_cases"]
        / exposure["exposed"]
        / (exposure["unexposed_cases"] / exposure["unexposed"])
    )
    assert exposure["risk_ratio"] == pytest.approx(crude, rel=1e-5)


def test_the_remedy_is_measured_against_the_untreated_stalls(risen: Path) -> None:
    """The controlled ratio is within 15 % of the truth and its limits cover it; notes name the stalls."""
    compared = figures("compare", risen, "--changed", RISEN.remedy_date.isoformat())
    assert compared["controlled_ratio"] == pytest.approx(RISEN.remedy_ratio, rel=0.15)
    assert compared["controlled_ci_low"] <= RISEN.remedy_ratio <= compared["controlled_ci_high"]
    assert tuple(compared["stalls"]) == RISEN.treated
    assert compared["before"]["milkings"] > compared["after"]["milkings"] > 10_000
    assert compared["changed_at"] == RISEN.remedy_date.isoformat()


def test_a_quiet_season_claims_nothing(quiet: Path) -> None:
    """Where nothing happened there is no outlier, no change, no association, and no effect of the remedy."""
    calm = figures("investigate", quiet)
    assert [unit for unit in calm["stalls"] if unit["outlier"]] == []
    assert calm["change_points"] == []
    assert calm["spike"] is None
    assert calm["exposure"]["mh_ci_low"] < 1.0
    assert calm["exposure"]["attributable_fraction"] is None
    assert calm["rate"]["wide_ci_low"] < 1.0 < calm["rate"]["wide_ci_high"]
    compared = figures("compare", quiet, "--changed", QUIET.remedy_date.isoformat())
    assert compared["controlled_ci_low"] < 1.0 < compared["controlled_ci_high"]


def test_people_are_named_in_order_and_never_judged(found: dict[str, Any]) -> None:
    """Milkers come by name without a verdict; groups with one."""
    assert [unit["milker"] for unit in found["milkers"]] == ["ann", "bo", "cy"]
    assert {unit["outlier"] for unit in found["milkers"]} == {None}
    assert {unit["group"] for unit in found["groups"]} == {"high", "low"}


def test_few_sessions_hide_the_milkers(risen: Path) -> None:
    """In a period of two weeks nobody worked 20 sessions, so nobody is shown."""
    first = RISEN.bad_date
    short = figures(
        "investigate", risen, "--from", first.isoformat(), "--to", (first + timedelta(days=14)).isoformat()
    )
    assert short["milkers"] is None
    assert short["period"] == {"from": first.isoformat(), "to": (first + timedelta(days=14)).isoformat()}
    assert short["baseline"]["to"] == first.isoformat()


def test_the_report_is_one_file_and_the_same_each_time(
    risen: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """No address is fetched, the pictures are there, the words claim no cause, and bytes repeat."""
    once, again = risen.with_name("once.html"), risen.with_name("again.html")
    for target in (once, again):
        assert main(["investigate", "--db", str(risen), "--out", str(target)]) == 0
    capsys.readouterr()
    page = once.read_text()
    assert page == again.read_text()
    assert page.count("<svg") >= 5
    assert not any(
        word in page.replace("http://www.w3.org/2000/svg", "") for word in ("http:", "https:", "<script")
    )
    low = page.lower()
    assert "associated with" in low
    assert not any(word in low for word in ("caused by", "due to", "because of", "responsible"))
    assert "veterinarian" in low
    assert "completeness" in low


def test_the_report_comes_as_pdf_too(risen: Path) -> None:
    """Both reports can be written as PDF, the same bytes each time."""
    once, again = risen.with_name("once.pdf"), risen.with_name("again.pdf")
    for target in (once, again):
        words = ["--changed", RISEN.remedy_date.isoformat(), "--pdf", str(target)]
        assert main(["compare", "--db", str(risen), *words]) == 0
    assert once.read_bytes()[:5] == b"%PDF-"
    assert once.read_bytes() == again.read_bytes()


def test_compare_ends_with_one_plain_sentence(risen: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The command says what was found and how sure, in words of association."""
    figures("compare", risen)
    said = capsys.readouterr().out
    assert "Against the untreated stalls" in said
    assert "associated with fewer slips" in said


def cut(tmp_path: Path, kept: pl.Expr, *, tests: str = "all") -> Path:
    """Return a small season's history with some milkings, and all, no, or one round of test days."""
    write_season(SMALL, tmp_path)
    file = tmp_path / "tables" / "milking" / "data.parquet"
    pl.read_parquet(file).filter(kept).write_parquet(file)
    db = tmp_path / "farm.duckdb"
    assert main(["load", "--tables", str(tmp_path / "tables"), "--db", str(db)]) == 0
    if tests == "one":
        lines = (tmp_path / "testdays.csv").read_text().splitlines()
        (tmp_path / "testdays.csv").write_text("\n".join(lines[: SMALL.cows + 1]))
    if tests != "none":
        assert main(["health", str(tmp_path / "testdays.csv"), "--db", str(db)]) == 0
    return db


EVERYTHING = pl.lit(value=True)
FIRST_HALF = pl.col("start_at") < pl.lit("2026-02-15").str.to_datetime()
THIN = {
    "one day": (pl.col("start_at") < pl.lit("2026-01-06").str.to_datetime(), "all"),
    "no milking": (pl.lit(value=False), "all"),
    "one cow": (pl.col("cow") == "1", "all"),
    "no test days": (EVERYTHING, "none"),
    "one test day": (EVERYTHING, "one"),
    "half the season": (FIRST_HALF, "all"),
}


@pytest.mark.parametrize("name", THIN)
def test_thin_data_gives_nulls_and_warnings(name: str, tmp_path: Path) -> None:
    """Whatever is missing, nothing crashes, nothing is claimed of new infections, and a warning says why."""
    kept, tests = THIN[name]
    db = cut(tmp_path, kept, tests=tests)
    thin = figures("investigate", db, "--out", str(tmp_path / "thin.html"))
    assert thin["warnings"]
    assert thin["exposure"] is None
    compared = figures(
        "compare", db, "--changed", SMALL.remedy_date.isoformat(), "--out", str(tmp_path / "c.html")
    )
    if name not in ("no test days", "one test day"):
        assert thin["change_points"] == []
        assert compared["warnings"]
        assert compared["controlled_ratio"] is None
    assert all(math.isfinite(value) for value in numbers(thin) + numbers(compared))


def numbers(value: Any) -> list[float]:
    if isinstance(value, dict):
        return [number for each in value.values() for number in numbers(each)]
    if isinstance(value, list):
        return [number for each in value for number in numbers(each)]
    return [value] if isinstance(value, int | float) else []


def test_a_stratum_without_cows_on_one_side_is_no_obstacle(tmp_path: Path) -> None:
    """Cows that were never milked leave the others to be compared, or nothing, without a crash."""
    db = cut(tmp_path, pl.col("cow").cast(pl.Int64) > 30)
    some = figures("investigate", db)
    assert some["exposure"] is None or some["exposure"]["exposed"] > 0
    assert some["warnings"]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["investigate"], "--out"),
        (["investigate", "--from", "soon", "--json", "{here}/x.json"], "--from"),
        (
            ["investigate", "--from", "2026-03-02", "--to", "2026-03-01", "--json", "{here}/x.json"],
            "holds no day",
        ),
        (["investigate", "--parlor", "nowhere", "--json", "{here}/x.json"], f"there is {PARLOR}"),
        (["compare", "--changed", "2026-03-01", "--stalls", "99", "--json", "{here}/x.json"], "stall 99"),
        (["investigate", "--out", "{here}/none/x.html"], "cannot be written"),
    ],
)
def test_wrong_words_are_one_line(
    words: list[str], said: str, risen: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Each mistake ends with exit 2 and a line that names it."""
    capsys.readouterr()
    assert main([word.format(here=risen.parent) for word in words] + ["--db", str(risen)]) == 2
    error = capsys.readouterr().err
    assert said in error
    assert error.count("\n") == 1
