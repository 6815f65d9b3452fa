"""The rules for Prometheus say what they promise, by Prometheus' own tool, and name only metrics we have."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest
from prometheus_client.parser import text_string_to_metric_families

from dashboards.alerts.kinds import AlertKind
from dashboards.exposition import example

RULES = Path(__file__).parents[2] / "dashboards" / "prometheus"
PROMTOOL = shutil.which("promtool") or "promtool"


def promtool(*words: str, folder: Path) -> str:
    done = subprocess.run(  # noqa: S603 - our own words
        [PROMTOOL, *words], cwd=folder, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout + done.stderr


@pytest.mark.source("Prometheus, promtool test rules")
def test_every_rule_fires_when_it_should_and_not_before(tmp_path: Path) -> None:
    """Labels, words and instants of each alert are those written in the test file."""
    for path in (RULES / "quietclaw.rules.yml", Path(__file__).with_name("rules_test.yml")):
        shutil.copy(path, tmp_path)
    assert "SUCCESS" in promtool("test", "rules", "rules_test.yml", folder=tmp_path)


@pytest.mark.source("Prometheus, promtool check config")
def test_the_example_configuration_is_accepted() -> None:
    """Prometheus takes the file as it stands beside the rules."""
    assert "SUCCESS" in promtool("check", "config", "prometheus.yml", folder=RULES)


def test_the_rules_name_only_what_the_service_shows() -> None:
    """A rule over a metric or a finding that does not exist would never fire."""
    text = (RULES / "quietclaw.rules.yml").read_text()
    shown = {
        f"{family.name}_total" if family.type == "counter" else family.name
        for family in text_string_to_metric_families(example().decode())
    }
    assert set(re.findall(r"\bquietclaw_\w+", text)) <= shown
    findings = {word for words in re.findall(r'finding=~?"([\w|]+)"', text) for word in words.split("|")}
    assert findings <= set(AlertKind)
    assert len(findings) >= 6
