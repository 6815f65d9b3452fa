"""Claw vacuum as the history keeps it for clips: in steps of 10 Pa, two bytes a sample."""

from __future__ import annotations

from itertools import pairwise
from typing import Any, Final

import numpy as np

from detect.batch import ReadingBatch
from detect.machine import compiled
from store.batch import Trace

DAPA_PER_KPA: Final = 100.0


def traces(read: ReadingBatch) -> list[Trace]:
    """Return the claw vacuum among some readings, by stall.

    Frames of a stall that follow each other to the nanosecond share a trace: as a row of a table one
    costs as much as the samples of some seconds.
    """
    vacuum = read.claw_vacuum()
    by_stall = np.argsort(vacuum.rows["stall"].astype(np.int16), kind="stable")  # sorted by counting
    rows = vacuum.rows.take(by_stall)
    stall, t_ns, rate_hz, count = (rows[name] for name in ("stall", "t_ns", "rate_hz", "count"))
    end_ns = t_ns + np.rint(count / rate_hz * 1e9).astype(np.int64)
    follows = (t_ns[1:] == end_ns[:-1]) & (stall[1:] == stall[:-1]) & (rate_hz[1:] == rate_hz[:-1])
    begins = np.flatnonzero(np.concatenate([[True], ~follows])[: len(rows)])
    stops = np.append(begins[1:], len(rows))[: len(begins)]
    packed = np.empty(int(count.sum()), np.int16)
    pack(vacuum.values, rows, packed)
    samples = packed.astype("<i2", copy=False).tobytes()
    pieces = (samples[at:stop] for at, stop in pairwise([0, *(2 * np.cumsum(count)[stops - 1]).tolist()]))
    told = (stall[begins], t_ns[begins], end_ns[stops - 1], rate_hz[begins])
    return list(map(Trace, *(column.tolist() for column in told), pieces))


@compiled
def pack(values: Any, rows: Any, packed: Any) -> None:
    """Write the numbers of some rows one behind the other in steps of 10 Pa; vacuum fits into two bytes."""
    at = 0
    for i in range(rows.shape[0]):
        count = rows[i].count
        # Arrays of their own, counted from 0: so the loop does eight samples at once (four times as fast).
        own, to = values[rows[i].first : rows[i].first + count], packed[at : at + count]
        for k in range(count):
            to[k] = np.int16(np.int32(np.rint(DAPA_PER_KPA * own[k])))
        at += count
