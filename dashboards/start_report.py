"""What runs here, told once at the start as one line of JSON: the first thing to ask for in trouble."""

from __future__ import annotations

import os
import platform
from importlib.metadata import version
from typing import Any

from dashboards.access import Access
from ingest.config import Config
from store.migrations import VERSION
from store.space import free_space


def start_report(config: Config, access: Access) -> dict[str, Any]:
    """Return program, machine and settings, without any secret."""
    path = config.store.path
    broker, parlor = config.broker, config.parlor
    return {
        "quietclaw": version("quietclaw"),
        "python": platform.python_version(),
        "duckdb": version("duckdb"),
        "machine": f"{platform.machine()}, {os.cpu_count()} cores",
        "pid": os.getpid(),
        "parlor": parlor.name,
        "stalls": parlor.stalls,
        "units": [parlor.vacuum_unit.value, parlor.flow_unit.value],
        "broker": broker.url,
        "encrypted": broker.tls,
        "user": broker.user is not None,
        "client_id": config.client_id,
        "history": str(path.absolute()),
        "history_mb": path.stat().st_size // 2**20 if path.exists() else None,
        "schema": VERSION,
        "free_mb": free_space(path) // 2**20,
        "capture": str(config.capture.path) if config.capture.path else None,
        "http": f"{config.http.host}:{config.http.port}",
        "tokens": len(access.roles),
    }
