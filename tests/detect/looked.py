"""Stalls in the middle of milking as a look at them sees them, written by hand."""

from __future__ import annotations

from typing import Any

import numpy as np

from detect.beat import WIDTH
from detect.condition import Look, take_look
from detect.params import BIN_S, DetectorParams
from detect.state import new_stalls

PARAMS = DetectorParams()
OWN = PARAMS.condition
KPA, AT = 42.0, 200_000
T_S = np.arange(WIDTH) * BIN_S
BEAT = 1.2 * np.sin(2.0 * np.pi * 1.0 * T_S)


def parlor(count: int = 1, ring: Any = None, **fields: Any) -> Any:
    """Return the state of stalls in the middle of milking, with their newest vacuum at the look AT."""
    state = new_stalls(count)
    known = {
        "attached": 1,
        "settled": 1,
        "on_bin": AT - 9_000,
        "flow_bin": AT,
        "flow_slow": 2.0,
        "seen_off": 1,
    }
    for name, value in (known | fields).items():
        state[name] = value
    write(state, KPA + BEAT if ring is None else ring)
    return state


def write(state: Any, ring: Any, at: int = AT) -> None:
    """Write what was read before a look."""
    state["raw"][:, np.arange(at - WIDTH, at) & (WIDTH - 1)] = ring


def look(state: Any, at: int = AT) -> Look:
    """Look at all stalls, at each of which a cow is milked."""
    return take_look(state, at, np.ones(len(state), bool), PARAMS)
