"""The parts of the benchmark by name."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Final

from tests.bench import detector
from tests.bench.figures import Row, Size

PARTS: Final[dict[str, Callable[[Size], Iterator[Row]]]] = {"detector": detector.measure}
