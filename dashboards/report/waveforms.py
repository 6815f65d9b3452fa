"""Claw vacuum around a few typical slips, read from a capture that covers them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Final

import polars as pl

from dashboards.report.plot import ALARM, INK, Plot, ticks
from detect.kinds import Channel
from detect.readings import StallVacuum
from ingest.capture import capture_files, is_parquet, scan_messages
from ingest.decode import Decoder, Frame
from ingest.wire import Message
from store.history import History
from store.inquiry.daily import Period
from store.rows import instant

NS_PER_S: Final = 1_000_000_000
BEFORE_S: Final = 4.0
AFTER_S: Final = 6.0
_LATE_NS: Final = 60 * NS_PER_S
"""How far receive time may be from device time for a frame to be looked for (engineering choice)."""
_TYPICAL: Final = """
WITH slips AS (
    SELECT *, abs(depth_kpa - median(depth_kpa) OVER (PARTITION BY phase)) AS off
    FROM air_event
    WHERE kind = 'liner_slip' AND parlor = $1 AND start_at >= $2 AND start_at < $3
        AND start_at BETWEEN $4 AND $5 AND end_at - start_at < INTERVAL 5 SECOND
)
SELECT stall, epoch_ns(start_at), epoch_ns(end_at), phase, depth_kpa, air_l FROM slips
QUALIFY row_number() OVER (PARTITION BY phase ORDER BY off, start_at, event_id) = 1 ORDER BY start_at
"""

Trace = list[tuple[int, float]]
"""Times [ns] and vacuum [kPa]."""


@dataclass(frozen=True, slots=True)
class TypicalSlip:
    """A slip whose depth is the median of its phase, in plain numbers."""

    stall: int
    start_ns: int
    end_ns: int
    phase: str
    depth_kpa: float
    air_l: float


def draw_waveforms(history: History, parlor: str, period: Period, capture: Path) -> list[tuple[str, str]]:
    """Return a picture with its caption for the typical slip of each phase that the capture covers.

    Parameters
    ----------
    history:
        The open history, in which the slips stand.
    parlor:
        Which parlor.
    period:
        The days looked into.
    capture:
        A Parquet capture, or a folder of them; vacuum in kPa.

    Raises
    ------
    InputError
        When the capture is missing or damaged.
    """
    files = [scan_messages(file) for file in capture_files(capture) if is_parquet(file)]
    ends = [
        file.select(low=pl.col("recv_ns").min(), high=pl.col("recv_ns").max()).collect() for file in files
    ]
    spans = [(end["low"][0], end["high"][0]) for end in ends if end["low"][0] is not None]
    if not spans:
        return []
    slips = _typical(history, parlor, period, (min(low for low, _ in spans), max(high for _, high in spans)))
    drawn = []
    for slip in slips:
        trace = sorted(sample for file in files for sample in _vacuum(file, parlor, slip))
        if trace:
            drawn.append((_draw(slip, trace), _caption(slip)))
    return drawn


def _typical(history: History, parlor: str, period: Period, span: tuple[int, int]) -> list[TypicalSlip]:
    """Return the slip nearest the median depth of each phase."""
    reader = history.reader()
    bounds: list[object] = [parlor, period.start, period.end, *map(instant, span)]
    try:
        return [TypicalSlip(*row) for row in reader.execute(_TYPICAL, bounds).fetchall()]
    finally:
        reader.close()


def _vacuum(file: pl.LazyFrame, parlor: str, slip: TypicalSlip) -> Iterator[tuple[int, float]]:
    """Yield the claw vacuum of one stall around a slip."""
    low, high = slip.start_ns - round(BEFORE_S * NS_PER_S), slip.start_ns + round(AFTER_S * NS_PER_S)
    ending = f"/{parlor}/stall/{slip.stall}/vacuum"
    near = pl.col("recv_ns").is_between(low - _LATE_NS, high + _LATE_NS)
    rows = file.filter(near & pl.col("topic").str.ends_with(ending)).collect()
    for recv_ns, topic, payload in rows.iter_rows():
        decoder = Decoder(topic.removesuffix(ending), parlor, slip.stall)
        frame = decoder.decode(Message(recv_ns, topic, payload))
        reading = frame.content if isinstance(frame, Frame) else None
        if isinstance(reading, StallVacuum) and reading.channel is Channel.CLAW:
            step_ns = NS_PER_S / reading.rate_hz
            for place, kpa in enumerate(reading.vacuum_kpa.tolist()):
                t_ns = reading.t_ns + round(place * step_ns)
                if low <= t_ns <= high:
                    yield t_ns, kpa


def _draw(slip: TypicalSlip, trace: Trace) -> str:
    """Draw the vacuum around one slip, the event shaded."""
    top = max(50.0, *(kpa for _, kpa in trace))
    plot = Plot(
        760.0, 190, x=(-BEFORE_S, AFTER_S), y=(0, top), title=f"Vacuum around a slip in stall {slip.stall}"
    )
    length_s = (slip.end_ns - slip.start_ns) / NS_PER_S
    plot.cell((0, 0), (max(length_s, 0.05), top), colour="#f6d9a8")
    plot.axis_y("claw vacuum kPa", ticks(0, top))
    plot.axis_x("seconds from the onset", ticks(-BEFORE_S, AFTER_S))
    for run in _unbroken(trace):
        plot.curve([((t_ns - slip.start_ns) / NS_PER_S, kpa) for t_ns, kpa in run], colour=INK)
    plot.curve([(0, 0), (0, top)], colour=ALARM, dashed="2 3")
    return plot.text()


def _unbroken(trace: Trace) -> list[Trace]:
    """Return the stretches without a gap: a line never bridges missing samples."""
    steps = sorted(later[0] - earlier[0] for earlier, later in pairwise(trace))
    usual = steps[len(steps) // 2] if steps else 0
    runs: list[Trace] = [[trace[0]]]
    for earlier, later in pairwise(trace):
        if later[0] - earlier[0] > 3 * usual:
            runs.append([])
        runs[-1].append(later)
    return runs


def _caption(slip: TypicalSlip) -> str:
    """Return the words below a picture."""
    at, phase = f"{instant(slip.start_ns):%Y-%m-%d %H:%M:%S}", slip.phase.replace("_", " ")
    size = f"{slip.depth_kpa:.0f} kPa deep, about {slip.air_l:.1f} L of air"
    return f"Typical of {phase}: stall {slip.stall}, {at} UTC, {size}. Shaded: the event as found."
