"""The advisor's report in a real browser: the picture of the README is taken here."""

from __future__ import annotations

from pathlib import Path

import pytest

from dashboards.main import main
from tests.dashboards.season import Season, write_season
from tests.system.chromium import chromium, visiting

pytestmark = pytest.mark.system

SHEET = {"width": 1000, "height": 1120}
MOST_BYTES = 200_000


def test_the_report_is_pictured(tmp_path: Path) -> None:
    """The first sheet of a report on an invented season asks for nothing from outside; it is pictured."""
    write_season(Season(seed=3), tmp_path)
    db, report = tmp_path / "farm.duckdb", tmp_path / "report.html"
    assert main(["load", "--tables", str(tmp_path / "tables"), "--db", str(db)]) == 0
    assert main(["health", str(tmp_path / "testdays.csv"), "--db", str(db)]) == 0
    assert main(["investigate", "--db", str(db), "--out", str(report)]) == 0
    with (
        chromium() as browser,
        visiting(browser, report.as_uri(), size=SHEET, scheme="light") as visit,
    ):
        assert visit.page.evaluate("document.documentElement.scrollWidth") <= SHEET["width"]
        assert 20_000 < visit.picture("report", tmp_path).stat().st_size <= MOST_BYTES
        assert [request for request in visit.requests if not request.startswith(("file:", "data:"))] == []
        assert visit.errors == []
