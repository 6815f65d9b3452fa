"""How the detector's time and memory grow with stalls and with the rate of the vacuum sensors."""

from __future__ import annotations

import tracemalloc
from collections.abc import Iterator, Sequence
from typing import Final

from detect.batch import ReadingBatch
from detect.readings import Reading
from tests.bench.detector import detect
from tests.bench.figures import Row, Size, exponent, in_turns, significant
from tests.bench.recording import in_columns, readings

PART: Final = "growth"
STALLS: Final = (20, 40, 80, 120)
RATES_HZ: Final = (100, 200, 1000)
RATE_STALLS: Final = 20
SECONDS: Final = 60


def measure(size: Size) -> Iterator[Row]:
    """Measure one axis after the other."""
    seconds = min(SECONDS, size.seconds)
    stalls = STALLS if size.stalls >= RATE_STALLS else (size.stalls, 2 * size.stalls)
    records = [readings(n, seconds) for n in stalls]
    yield from _axis("stalls", stalls, records, stalls=stalls, runs=size.runs)
    few = min(RATE_STALLS, size.stalls)
    rates = RATES_HZ if size.stalls >= RATE_STALLS else RATES_HZ[:2]
    records = [readings(few, seconds, rate) for rate in rates]
    yield from _axis(f"Hz at {few} stalls", rates, records, stalls=[few] * len(rates), runs=size.runs)


def _axis(
    name: str,
    places: Sequence[int],
    records: Sequence[tuple[Reading, ...]],
    *,
    stalls: Sequence[int],
    runs: int,
) -> Iterator[Row]:
    """Time all places of one axis in turns, then weigh them."""
    detect(in_columns(records[0][:2000]), stalls[0])  # compile
    cases = list(zip(places, map(in_columns, records), stalls, strict=True))
    timings = in_turns(
        {str(place): lambda r=record, n=number: detect(r, n) for place, record, number in cases}, runs
    )
    spans = [(r[-1].t_ns - r[0].t_ns) * 1e-9 for r in records]
    times_ms = [1e3 * t.cpu_s / s for t, s in zip(timings.values(), spans, strict=True)]
    sizes_mb = [memory_mb(record, number) for _, record, number in cases]
    axis = ", ".join(map(str, places))
    for what, figures, unit in (
        ("time of a core a second of signal", times_ms, "ms"),
        ("most memory of the detector", sizes_mb, "MB"),
    ):
        listed = ", ".join(map(significant, figures))
        yield Row(
            PART, f"{what}, {axis} {name}", f"{listed} {unit}; exponent {exponent(places, figures):.2f}"
        )


def memory_mb(record: Sequence[ReadingBatch], stalls: int) -> float:
    """Return the most memory a detector takes while it reads a record, the record apart [MB]."""
    tracemalloc.start()
    try:
        detect(record, stalls)
        return tracemalloc.get_traced_memory()[1] / 2**20
    finally:
        tracemalloc.stop()
