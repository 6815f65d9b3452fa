"""An alert in words, for a lamp's topic and for logs; the words stand with those of the page."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from functools import cache
from importlib.resources import files
from typing import Any

from dashboards.alerts.kinds import PLANT, Alert
from dashboards.matching import NS_PER_S


@cache
def texts(language: str = "en") -> dict[str, Any]:
    """Return all words shown to people, from the one file that a translator copies."""
    return dict(json.loads((files("dashboards") / "page" / f"texts.{language}.json").read_text("utf-8")))


def sentence(alert: Alert) -> str:
    """Return where, what and what to do."""
    words = texts()
    entry = words["alerts"][alert.kind]
    where = words["parlor"] if alert.stall == PLANT else f"{words['stall']} {alert.stall}"
    figure = entry["figure"].format(value=f"{alert.value:g}")
    what = f"{entry['what']} ({figure})" if figure else entry["what"]
    told = f"{what}: {alert.detail}" if alert.detail else what
    return f"{where}: {told}. {entry['do']}"


def payload(alert: Alert) -> bytes:
    """Return what the alert's retained topic carries while it stands."""
    since = datetime.fromtimestamp(alert.since_ns // NS_PER_S, UTC)
    return json.dumps(
        {
            "alert": alert.kind,
            "since": since.isoformat().replace("+00:00", "Z"),
            "severity": alert.severity,
            "text": sentence(alert),
            "taken": alert.taken_by is not None,
        }
    ).encode()
