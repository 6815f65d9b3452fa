"""A stall's state written by hand, and the moment in which one of the kernel's functions looks at it."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np

from detect.arm_state import RATES
from detect.params import BIN_S, DetectorParams
from detect.ripple import turn_waves
from detect.scene import new_scenes
from detect.state import HAPPENING_DTYPE, HARMONICS, RING, Now, new_stalls
from detect.swing import turn_rates
from detect.tubes import admit, lay_tube, lift_tube, new_tubes

NUM = DetectorParams().numbers()
QUIET_KPA = 42.0


def stall(**fields: Any) -> Any:
    """Return a stall of which nothing is known but these fields."""
    s = new_stalls(1).view(np.recarray)[0]
    for name, value in fields.items():
        s[name] = value
    return s


def scene(**fields: Any) -> Any:
    """Return a stall's scene of which only these fields are known."""
    c = new_scenes(1)[0].view(np.recarray)[0]
    for name, value in fields.items():
        c[name] = value
    return c


def moment(b: int, *, sensed: float = 0.0, shared: float = 0.0, news: float = 0.0, stir: float = 0.0) -> Now:
    """Return one bin with nothing told yet."""
    rows = np.zeros(64, HAPPENING_DTYPE).view(np.recarray)
    return Now(
        b, sensed, shared, news, stir, rows, np.zeros(1, np.int64), turns(b), np.zeros((1, 2, HARMONICS))
    )


def waves(s: Any) -> Any:
    """Return cosine and sine of the multiples of a stall's pulsation."""
    out = np.zeros((2, HARMONICS))
    turn_waves(out, s["pulse_phase"])
    return out


def turned(now: Now, s: Any) -> Now:
    """Return the same bin with the waves of a stall's pulsation."""
    return now._replace(waves=waves(s)[np.newaxis])


def turns(b: int) -> Any:
    """Return cosine and sine of every rate of an arm's beat at a bin."""
    out = np.zeros((2, RATES))
    turn_rates(out, b)
    return out


def admitted(s: Any, fall_kpa: float, quiet_kpa: float) -> float:
    """Return the air [L/min] of a bin in which the vacuum fell to so far under the quiet one."""
    tubes = new_tubes(1)
    s["ready"] = 1
    lay_tube(tubes, 0, s, (fall_kpa, quiet_kpa))
    admit(tubes, 1, NUM.claw)
    return lift_tube(tubes, 0, s)


def told(now: Now) -> list[Any]:
    """Return what was told so far."""
    return list(now.rows[: int(now.used[0])])


def write_raw(s: Any, first_bin: int, kpa: Iterable[float]) -> int:
    """Write vacuum by bins from a bin on; return the last bin."""
    b = first_bin - 1
    for b, value in enumerate(kpa, first_bin):
        s["raw"][b & (RING - 1)] = value
    return b


def write_air(s: Any, l_min: Iterable[float]) -> None:
    """Write air by bins into the running sum, from its beginning."""
    for value in l_min:
        i = int(s["air_seen"])
        before = s["air_sum"][(i - 1) & (RING - 1)] if i else 0.0
        s["air_sum"][i & (RING - 1)] = before + value * BIN_S / 60.0
        s["air_seen"] = i + 1


def write_level(s: Any, kpa: float, count: int = 60) -> None:
    """Let the baseline be one level for a while."""
    s["level"] = kpa
    s["level_sum"], s["seen"], s["usual"] = 40 * kpa, count, kpa


def record(dtype: np.dtype[Any], **fields: Any) -> Any:
    """Return one record of a kind, of which only these fields are known."""
    one = np.zeros(1, dtype).view(np.recarray)[0]
    for name, value in fields.items():
        one[name] = value
    return one
