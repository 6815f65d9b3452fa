"""Which quarter let the air in, where the short milk tubes are measured.

Air that enters one cup must pass its short milk tube before it reaches the claw, so the leaking
quarter's tube falls further than the claw while the others follow the claw. What each tube falls
under the claw, beyond its usual difference, is summed from the onset on; the quarter is named when
one sum stands out. Two cups at once, or a unit off its teats, name nobody.
"""

from __future__ import annotations

import math
from typing import Any

from detect.machine import compiled
from detect.params import BIN_S
from detect.quarter_state import RING, TUBES
from detect.state import Happening, Now, Opening

MASK = RING - 1
LAG = 60  # bins (3 s): the usual difference is that of before any onset in hand
SLOW = 200  # bins (10 s) over which it is learned
LEAST_KPA_S = 0.06  # a third of the noise of one second remains below
CLEAR = 2.0  # times the second largest
NONE, OPEN = int(Opening.NONE), int(Opening.OPEN)
CLOSED = int(Happening.AIR_CLOSED)


@compiled
def watch_tubes(s: Any, tubes_kpa: Any, told: int, now: Now) -> None:
    """Take one bin of a stall's short milk tubes; name the quarter on events that this bin closed.

    ``told`` is the number of happenings before this stall's bin was worked.
    """
    w, b = s.tubes, now.bin
    for i in range(told, now.used[0]):
        h = now.rows[i]
        if h.what == CLOSED and h.stall == s.index and h.from_bin == w.event_on:
            h.quarter = leaking(w)
    for q in range(TUBES):
        w.rest[(b & MASK) * TUBES + q] = s.kpa - tubes_kpa[q] if s.missing == 0 else math.nan
    if s.opening == NONE:
        w.event_on = 0
        if s.settled == 1 and b - s.on_bin > LAG:
            learn_base(w, b - LAG)
    elif w.event_on != s.ev_on:
        w.event_on = s.ev_on
        for q in range(TUBES):
            w.fallen[q] = 0.0
        for at in range(max(s.ev_on, b - LAG), b):
            add_fall(w, at)
    if s.opening == OPEN:
        add_fall(w, b)


@compiled
def learn_base(w: Any, at: int) -> None:
    """Follow what is usual of claw less tube."""
    heard = 0
    for q in range(TUBES):
        rest = w.rest[(at & MASK) * TUBES + q]
        if not math.isnan(rest):
            heard = 1
            w.usual[q] += (rest - w.usual[q]) / min(w.n + 1, SLOW)
    w.n += heard


@compiled
def add_fall(w: Any, at: int) -> None:
    """Add one bin of every tube's fall under the claw."""
    for q in range(TUBES):
        rest = w.rest[(at & MASK) * TUBES + q]
        if not math.isnan(rest):
            w.fallen[q] += BIN_S * (rest - w.usual[q])


@compiled
def leaking(w: Any) -> int:
    """Return 1 to 4 for the tube that fell clearly furthest, 0 for none."""
    best, second, which = 0.0, 0.0, 0
    for q in range(TUBES):
        if w.fallen[q] > best:
            best, second, which = w.fallen[q], best, q + 1
        elif w.fallen[q] > second:
            second = w.fallen[q]
    return which if best > LEAST_KPA_S and best > CLEAR * second else 0
