"""Every alert has words for where, what and what to do, in one file."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from dashboards.alerts.kinds import PLANT, SEVERITY, Alert, AlertKind, Severity, Standing
from dashboards.alerts.words import payload, sentence, texts
from dashboards.cautions import CAUTIONS
from detect.kinds import AirKind, Cause
from tests.dashboards.stage import START_NS

PAGE = Path(__file__).parents[2] / "dashboards" / "page"


def alert(kind: AlertKind, *, stall: int = 7, taken_by: str | None = None) -> Alert:
    return Alert(
        "id",
        stall,
        kind,
        SEVERITY[kind],
        Standing.SHOWN,
        START_NS,
        1.5,
        "",
        stalls=(stall,),
        taken_by=taken_by,
    )


@pytest.mark.parametrize("kind", AlertKind)
def test_every_alert_can_be_said(kind: AlertKind) -> None:
    """No alert is without words, and no mark is left unfilled."""
    said = sentence(alert(kind))
    assert said.startswith("Stall 7: ")
    assert re.search(r"[{}]", said) is None
    assert len(said) > 20


def test_the_topic_carries_what_the_contract_says() -> None:
    """Alert, since, severity and text; and whether somebody looks after it, so that a horn can stop."""
    value = json.loads(payload(alert(AlertKind.UNIT_OFF, taken_by="Ann")))
    assert value == {
        "alert": "unit_off",
        "since": "2026-09-21T14:13:20Z",
        "severity": "critical",
        "text": "Stall 7: Unit off (1.5 L air). Shut its vacuum, rinse, put it back on.",
        "taken": True,
    }
    assert b"Ann" not in payload(alert(AlertKind.UNIT_OFF, taken_by="Ann"))
    assert sentence(alert(AlertKind.PLANT_LOW, stall=PLANT)).startswith("Parlor: ")


def test_the_page_has_words_for_every_vocabulary() -> None:
    """Kinds, causes and severities of the contract are all translated."""
    words = texts()
    assert set(words["alerts"]) == set(AlertKind)
    assert set(words["kinds"]) == set(AirKind)
    assert set(words["causes"]) == set(Cause)
    assert set(words["severity"]) == set(Severity)
    assert tuple(words["cautions"]) == CAUTIONS


def test_every_word_the_page_asks_for_exists() -> None:
    """Each fixed key in the script and the markup is in the file of texts."""
    code = "".join(path.read_text() for path in (*PAGE.glob("*.js"), PAGE / "index.html"))
    keys = set(re.findall(r'\bt\("([\w.]+)"', code)) | set(re.findall(r'data-t="([\w.]+)"', code))
    assert len(keys) > 30
    words = texts()

    def found(key: str) -> bool:
        at: object = words
        for part in key.split("."):
            at = at.get(part) if isinstance(at, dict) else None
        return isinstance(at, str)

    assert [key for key in sorted(keys) if not found(key)] == []
