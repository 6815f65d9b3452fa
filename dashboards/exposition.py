"""An empty exposition on standard output for a linter of names: ``python -m dashboards.exposition``."""

from __future__ import annotations

import sys

from prometheus_client import CollectorRegistry

from dashboards.metrics import ServiceMetrics


def example() -> bytes:
    """Return what a service of two stalls shows before its first message."""
    return ServiceMetrics(CollectorRegistry(), stalls=2, detector="none").render()


if __name__ == "__main__":
    sys.stdout.buffer.write(example())
