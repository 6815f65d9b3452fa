"""What is usual at a stall: its zero, its pulsation, how it drains, its claw vacuum against milk flow.

Every stall learns its own while nothing is wrong; until it has, the others' medians stand in. All of
it is one record a stall, so it is stored with the rest of the detector's state.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from detect.machine import compiled, compiled_allocating

Floats = NDArray[np.float64]

NORM_FIELDS: Final = [
    ("zero_n", "i8"),  # parkings behind the zero
    ("zero_kpa", "f8"),
    ("park_bin", "i8"),  # the parking in hand: when the unit came off
    ("park_n", "i8"),
    ("park_kpa", "f8"),
    ("still_bin", "i8"),  # since when the reading has not moved
    ("still_kpa", "f8"),
    ("beat_n", "i8"),  # looks behind the pulsation's norm
    ("beat_hz", "f8"),
    ("beat_kpa", "f8"),
    ("last_hz", "f8"),  # of the last look that was off
    ("drain_seen", "i8"),  # take-offs judged
    ("drain_n", "i8"),  # take-offs behind the norm
    ("drain_rate", "f8"),
    ("slow", "i8"),  # the last take-off drained slowly
    ("curve_n", "i8"),  # looks behind the curve of claw vacuum against milk flow
    ("curve_flow", "f8"),
    ("curve_kpa", "f8"),
    ("curve_var", "f8"),
    ("curve_cov", "f8"),
    ("own_bin", "i8"),  # the attachment in hand: when the unit was put on
    ("own_n", "i8"),
    ("own_off", "f8"),  # mean vacuum beyond the usual one
    ("own_flow", "f8"),
    ("own_told", "i8"),  # its leak has been judged
]
MEMORY: Final = 200
"""Looks of 10 s that a curve remembers (about six milkings)."""
FEW: Final = 8
"""Parkings and take-offs that a norm remembers."""
BORN_LOOKS: Final = 12
"""Looks (2 min of milking) after which a stall can stand in for others."""
GROWN_LOOKS: Final = 40
"""Looks after which a stall is held against itself."""
QUORUM: Final = 4
"""Fewest other stalls whose median says what is usual."""
STIFFNESS: Final = 0.3  # of a curve towards the parlor's slope [(kg/min)^2]: one flow tells no slope


def mean_into(norm: Any, names: tuple[str, str], value: float, memory: int) -> None:
    """Take a value into a stall's running mean (count and mean by field name) with a bounded memory."""
    count, mean = names
    norm[count] += 1
    norm[mean] += (value - norm[mean]) / min(norm[count], memory)


@compiled_allocating
def usual_of(counts: Any, values: Any, index: int, needs: tuple[int, int]) -> float:
    """Return what is usual at a stall, as :func:`usual` does of the same fields as columns."""
    if counts[index] >= needs[0]:
        return float(values[index])
    others, n = np.empty(counts.shape[0]), 0
    for i in range(counts.shape[0]):
        if i != index and counts[i] >= needs[1]:
            others[n] = values[i]
            n += 1
    return float(np.median(others[:n])) if n >= QUORUM else np.nan


def usual(norms: Any, names: tuple[str, str], index: int, needs: tuple[int, int]) -> float:
    """Return what is usual at a stall: its own norm, else the median of the others, else NaN.

    Parameters
    ----------
    norms:
        Records of all stalls.
    names:
        Fields of count and value.
    index:
        The stall.
    needs:
        Counts from which a stall speaks for itself, and for others.
    """
    counts, values = (np.ascontiguousarray(norms[name]) for name in names)
    return float(usual_of(counts, values, index, needs))


def zeros_kpa(norms: Any, most_kpa: float) -> Floats:
    """Return every stall's zero [kPa], bounded, 0 where none has been seen; shape (stalls,)."""
    return np.where(norms["zero_n"] > 0, np.clip(norms["zero_kpa"], -most_kpa, most_kpa), 0.0)


@compiled
def learn_curve(norm: Any, flow_kg_min: float, kpa: float) -> None:
    """Take one quiet look into a stall's curve, by running means with a bounded memory."""
    norm.curve_n += 1
    gain = 1.0 / min(norm.curve_n, MEMORY)
    off, rest = flow_kg_min - norm.curve_flow, kpa - norm.curve_kpa
    norm.curve_flow += gain * off
    norm.curve_kpa += gain * rest
    norm.curve_var += gain * (off * (flow_kg_min - norm.curve_flow) - norm.curve_var)
    norm.curve_cov += gain * (off * (kpa - norm.curve_kpa) - norm.curve_cov)


@compiled_allocating
def others_kpa(asks: Any, known: Any, flow_kg_min: Floats, lines: tuple[Floats, Floats, Floats]) -> Floats:
    """Return the median [kPa] of what the other known stalls have at the flow of each stall that asks.

    ``lines`` are mean vacuum, slope and mean flow of every stall. NaN where nobody asks or too few are known.
    """
    kpa, slope, mean_flow = lines
    out, others = np.full(kpa.size, np.nan), np.empty(kpa.size)
    for i in range(kpa.size):
        n = 0
        for k in range(kpa.size if asks[i] else 0):
            if known[k] and k != i:
                others[n] = kpa[k] + slope[k] * (flow_kg_min[i] - mean_flow[k])
                n += 1
        if n >= QUORUM:
            out[i] = np.median(others[:n])
    return out


def expected_kpa(norms: Any, flow_kg_min: Floats) -> tuple[Floats, Floats]:
    """Return the usual claw vacuum [kPa] of every stall at its milk flow, by itself or else by the others.

    Each stall's curve is a straight line; its slope leans on the parlor's. NaN where not enough is
    known. Shapes (stalls,).
    """
    known = norms["curve_n"] >= BORN_LOOKS
    pooled = (
        norms["curve_cov"][known].sum() / max(norms["curve_var"][known].sum(), 1e-9) if known.any() else 0.0
    )
    slope = (norms["curve_cov"] + STIFFNESS * pooled) / (norms["curve_var"] + STIFFNESS)
    kpa, mean_flow = (np.ascontiguousarray(norms[name]) for name in ("curve_kpa", "curve_flow"))
    own = np.where(norms["curve_n"] >= GROWN_LOOKS, kpa + slope * (flow_kg_min - mean_flow), np.nan)
    asks = np.isnan(own) & ~np.isnan(flow_kg_min)
    return own, others_kpa(asks, known, flow_kg_min, (kpa, slope, mean_flow))
