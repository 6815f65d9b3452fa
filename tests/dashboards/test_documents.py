"""The documents name what the program has: commands, settings, metrics, topics, tables and addresses."""

from __future__ import annotations

import re
from collections import Counter
from pathlib import Path

import pytest
from prometheus_client.parser import text_string_to_metric_families

from dashboards.cautions import CAUTIONS
from dashboards.exposition import example
from dashboards.main import app
from ingest.config import Config
from ingest.fleet.run import FAILURES
from ingest.settings import PASSWORD_VARIABLE, USER_VARIABLE
from ingest.wire import StreamKind, alert_topic, committed_topic, plant_topic, stall_topic
from store.fleet.lake import FLEET_VIEWS
from store.fleet.partitions import ADDED
from store.history import History
from store.schema import CONTRACT_TABLES
from tests.citations import table
from tests.conftest import LIBRARIES, PROGRAMS

HOME = Path(__file__).parents[2]
README = (HOME / "README.md").read_text()
DEVELOPERS = (HOME / "DEVELOPERS.md").read_text()
NAMES = {"root": "<root>", "parlor": "<parlor>"}


def missing(names: list[str], text: str) -> list[str]:
    return [name for name in names if name not in text]


def test_every_command_is_in_the_readme() -> None:
    """A command that is not described does not exist for a user."""
    assert missing([f"quietclaw {command.name}" for command in app.registered_commands], README) == []


def test_every_setting_is_described() -> None:
    """Each key of the configuration, and both variables, stand in DEVELOPERS.md."""
    keys = [
        f"`{name}.{key}`"
        for name, section in Config.model_fields.items()
        for key in section.annotation.model_fields  # type: ignore[union-attr]
    ]
    assert len(keys) >= 15
    assert missing([*keys, USER_VARIABLE, PASSWORD_VARIABLE], DEVELOPERS) == []


def test_every_metric_is_described() -> None:
    """Each metric stands in DEVELOPERS.md under the name a scrape shows."""
    names = [
        f"`{family.name}{'_total' if family.type == 'counter' else ''}`"
        for family in text_string_to_metric_families(example().decode())
        if family.name.startswith("quietclaw")
    ]
    assert len(names) >= 15
    assert missing(names, DEVELOPERS) == []


def test_every_topic_is_described() -> None:
    """Each topic in and out stands in DEVELOPERS.md as the wire builds it."""
    topics = [stall_topic(stall=0, kind=kind, **NAMES).replace("/0/", "/<stall>/") for kind in StreamKind]
    topics.append(plant_topic(kind=StreamKind.VACUUM, **NAMES))
    topics.append(committed_topic(stall=None, **NAMES))
    topics.append(alert_topic(stall=None, **NAMES))
    of_stall = [topic(stall=0, **NAMES) for topic in (committed_topic, alert_topic)]
    topics += [topic.removesuffix("0") + "<stall>" for topic in of_stall]
    assert missing(topics, DEVELOPERS) == []


def test_every_table_and_address_is_described() -> None:
    """Tables of the contract and addresses of the service stand in DEVELOPERS.md."""
    tables = [f"`{table.name}`" for table in CONTRACT_TABLES]
    addresses = [
        "GET /`",
        "GET /health",
        "GET /metrics",
        "GET /v1/live",
        "GET /v1/stall",
        "POST /v1/query",
        "POST /v1/note",
        "/acknowledge",
    ]
    assert missing([*tables, *addresses], DEVELOPERS) == []


def test_every_view_is_described(tmp_path: Path) -> None:
    """Each ready-made view stands in DEVELOPERS.md."""
    with History.open(tmp_path / "h.duckdb") as history:
        rows = history.reader().execute("SELECT view_name FROM duckdb_views() WHERE NOT internal").fetchall()
    assert len(rows) >= 5
    assert missing([f"`{name}`" for (name,) in rows], DEVELOPERS) == []


def test_the_tables_of_a_fleet_are_described() -> None:
    """Views over many parlors, the added columns and the table of failures stand in DEVELOPERS.md."""
    names = [*FLEET_VIEWS, *ADDED, FAILURES]
    assert missing([f"`{name}`" for name in names], DEVELOPERS) == []


def test_the_readme_carries_the_cautions_and_the_two_commands() -> None:
    """Limits are read before use, and the test command is the one the gate runs."""
    flat = " ".join(README.split())
    assert missing([caution.rstrip(".") for caution in CAUTIONS], flat) == []
    gate = (HOME / ".ci" / "run").read_text()
    for command in (".venv/bin/pytest", "-c constraints.txt -e '.[test]'"):
        assert command in README
        assert command in gate


def test_the_gate_installs_what_the_tests_ask_for() -> None:
    """The packages that pytest names when they are missing are those that the gate brings."""
    gate = (HOME / ".ci" / "run").read_text().split("apt-get install")[1].split(">/dev/null")[0]
    assert missing(" ".join([*PROGRAMS.values(), *LIBRARIES.values()]).split(), gate) == []


@pytest.mark.parametrize("words", [("from", "memory"), ("seen",)])
def test_sources_say_whether_they_were_seen(words: tuple[str, ...]) -> None:
    """The table of sources keeps what was read apart from what was remembered."""
    sources = DEVELOPERS.split("## Sources")[1].split("\n### ")[0]
    rows = [line for line in sources.splitlines() if line.startswith("| ") and "---" not in line][1:]
    assert all("seen" in row or "memory" in row for row in rows)
    assert any(" ".join(words) in row for row in rows)


def test_the_table_of_checks_is_that_of_the_tests() -> None:
    """What the tests are said to stand on is what their markers say."""
    assert DEVELOPERS.split("### What the tests stand on")[1].partition("\n\n| ")[2] == table()[2:] + "\n"


def test_every_file_and_module_named_exists() -> None:
    """A command beside a claim can be typed: the tests and modules that the documents name are there."""
    words = README + DEVELOPERS
    files = set(re.findall(r"\b(?:tests|ingest|store|dashboards|detect|simulator)/[\w/]+(?:\.\w+)+", words))
    modules = set(re.findall(r"python -m ((?:tests|dashboards)[\w.]+)", words))
    paths = [HOME / name for name in files]
    assert [str(path) for path in paths if not path.exists()] == []
    places = [HOME / module.replace(".", "/") for module in modules]
    assert [
        str(p) for p in places if not (p.with_suffix(".py").exists() or (p / "__main__.py").exists())
    ] == []


@pytest.mark.parametrize("name", ["README.md", "DEVELOPERS.md", "CHANGELOG.md"])
def test_nothing_is_printed_twice(name: str) -> None:
    """A page that was merged or pasted twice repeats its long lines; tables may share their rules."""
    lines = [line for line in (HOME / name).read_text().splitlines() if len(line) > 60 and line.strip("|- ")]
    assert [line for line, times in Counter(lines).items() if times > 1] == []
