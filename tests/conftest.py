"""Which programs of Debian the tests find, said before the first test and again when some have failed."""

from __future__ import annotations

import ctypes.util
import os
import shutil
from typing import Final

import pytest

SBIN: Final = "/usr/sbin:/sbin:/usr/local/sbin"
PROGRAMS: Final = {
    "chromium": "chromium fonts-dejavu-core",
    "java": "openjdk-17-jre-headless",
    "mosquitto": "mosquitto",
    "openssl": "openssl",
    "prometheus": "prometheus",
    "prometheus-alertmanager": "prometheus-alertmanager",
    "promtool": "prometheus",
    "systemd-analyze": "systemd",
}
"""Program and the package of Debian 12 it is in."""
LIBRARIES: Final = {
    "atomic": "libatomic1",
    "pangoft2-1.0": "libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0",
}
"""The browser's driver and the drawing of a report as PDF, and the packages of Debian 12 they need."""


def missing_packages() -> list[str]:
    """Return the packages of Debian that tests need and this machine has not."""
    path = f"{os.environ.get('PATH', os.defpath)}:{SBIN}"
    wanted = {package for program, package in PROGRAMS.items() if shutil.which(program, path=path) is None}
    wanted |= {package for name, package in LIBRARIES.items() if ctypes.util.find_library(name) is None}
    return sorted(wanted)


def _advice() -> str:
    wanted = missing_packages()
    return f"sudo apt-get install -y --no-install-recommends {' '.join(wanted)}" if wanted else ""


def pytest_report_header() -> list[str]:
    """Say before the tests what their failures would come from."""
    advice = _advice()
    return [f"tests of whole programs will fail until you run: {advice}"] if advice else []


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Say it again below the failures, where it is read."""
    if (advice := _advice()) and any(terminalreporter.stats.get(kind) for kind in ("failed", "error")):
        terminalreporter.section("programs of Debian that are missing")
        terminalreporter.line("A failure above may come from one of them alone. Install them and run again:")
        terminalreporter.line(f"  {advice}")
