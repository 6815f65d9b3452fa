"""The parts of the benchmark by name."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Final

from tests.bench import detector, growth, replaying, space, views
from tests.bench.figures import Row, Size

PARTS: Final[dict[str, Callable[[Size], Iterator[Row]]]] = {
    "detector": detector.measure,
    "views": views.measure,
    "space": space.measure,
    "growth": growth.measure,
    "replay": replaying.measure,
}
