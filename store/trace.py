"""Claw vacuum as it stands by for clips: in steps of 10 Pa, two bytes a sample."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np

from detect.batch import ReadingBatch

DAPA_PER_KPA: Final = 100.0


@dataclass(frozen=True, slots=True)
class Trace:
    """The vacuum of one stall without a break.

    Attributes
    ----------
    stall:
        Whose it is.
    t_ns, end_ns:
        Device time of the first sample, and one step behind the last [ns].
    rate_hz:
        Samples a second.
    samples:
        In steps of 10 Pa, two bytes each, little-endian.
    """

    stall: int
    t_ns: int
    end_ns: int
    rate_hz: float
    samples: bytes


def traces(read: ReadingBatch) -> list[Trace]:
    """Return the claw vacuum among some readings, by stall.

    Frames of a stall that follow each other to the nanosecond share a trace: as a row of a table one
    costs as much as the samples of some seconds.
    """
    vacuum = read.claw_vacuum()
    rows = vacuum.rows[np.argsort(vacuum.rows["stall"], kind="stable")]
    stall, t_ns, rate_hz, count = (rows[name] for name in ("stall", "t_ns", "rate_hz", "count"))
    end_ns = t_ns + np.rint(count / rate_hz * 1e9).astype(np.int64)
    follows = (t_ns[1:] == end_ns[:-1]) & (stall[1:] == stall[:-1]) & (rate_hz[1:] == rate_hz[:-1])
    begins = np.flatnonzero(np.concatenate([[True], ~follows])[: len(rows)])
    stops = np.append(begins[1:], len(rows))[: len(begins)]
    ends = np.cumsum(count)
    places = np.arange(len(count) and ends[-1]) + np.repeat(rows["first"] - ends + count, count)
    with np.errstate(invalid="ignore"):  # numbers that are no vacuum may not fit
        samples = np.rint(vacuum.values * DAPA_PER_KPA).astype("<i2")[places].tobytes()
    told = (stall[begins], t_ns[begins], end_ns[stops - 1], rate_hz[begins])
    cuts = pairwise([0, *(2 * ends[stops - 1]).tolist()])
    pieces = (samples[at:stop] for at, stop in cuts)
    return list(map(Trace, *(column.tolist() for column in told), pieces))
