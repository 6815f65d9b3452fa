"""The worked notebook runs from top to bottom on exported tables."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from dashboards.main import main
from tests.dashboards.season import Season, write_season

HOME = Path(__file__).parents[2]


@pytest.mark.system
def test_the_worked_notebook_runs_on_exported_tables(tmp_path: Path) -> None:
    """Every cell runs without an error, and the worst stall is one of the truly bad ones."""
    season = Season(
        seed=5, stalls=10, cows=80, days=90, bad_day=40, remedy_day=80, bad_stalls=(3,), bad_ratio=6.0
    )
    write_season(season, tmp_path)
    db = tmp_path / "farm.duckdb"
    assert main(["load", "--tables", str(tmp_path / "tables"), "--db", str(db)]) == 0
    assert main(["health", str(tmp_path / "testdays.csv"), "--db", str(db)]) == 0
    assert main(["export", "--db", str(db), "--out", str(tmp_path / "out")]) == 0
    run = Path(sys.executable).with_name("jupyter-execute")
    done = tmp_path / "done"
    subprocess.run(  # noqa: S603 - our own notebook
        [run, HOME / "dashboards" / "advisor.ipynb", f"--output={done}", "--timeout=120"],
        env=os.environ | {"QUIETCLAW_TABLES": str(tmp_path / "out"), "PYTHONPATH": str(HOME)},
        check=True,
        timeout=300,
    )
    cells = json.loads(done.with_suffix(".ipynb").read_text())["cells"]
    outputs = [output for cell in cells if cell["cell_type"] == "code" for output in cell["outputs"]]
    assert all(output["output_type"] != "error" for output in outputs)
    change = next(
        o for o in outputs if "log Bayes factor" in "".join(o.get("data", {}).get("text/plain", ""))
    )
    assert "'stall': 3" in "".join(change["data"]["text/plain"])
