"""Conditions as episodes: one event from the first sign to the first sign that it is over.

A condition opens after several verdicts in a row that something is wrong and closes after several
that it is right, so neither a single odd milking nor the end of a milking makes or ends one. A fault
that simply stands is one event, told once when found and once more with its end.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from detect.evidence import FIGURES, evidence_text
from detect.kinds import Condition
from detect.params import BIN_NS
from detect.results import ConditionEvent

WATCHED: Final = (
    Condition.SENSOR_FROZEN,
    Condition.SENSOR_ZERO_OFF,
    Condition.VENT_BLOCKED,
    Condition.SLOW_VACUUM_DECAY,
    Condition.PULSATION_OFF,
    Condition.STEADY_LEAK,
)
"""Conditions that are episodes, in the order of their place in the state."""
_N: Final = len(WATCHED)
EPISODE_FIELDS: Final = [
    ("open", "i8", _N),
    ("bad", "i8", _N),  # verdicts in a row that it is wrong
    ("good", "i8", _N),  # and that it is right
    ("from_bin", "i8", _N),  # where the wrong ones began
    ("fine_bin", "i8", _N),  # where the right ones began
    ("found_bin", "i8", _N),
    ("figures", "f8", (_N, FIGURES)),  # behind the evidence
]
NEEDED: Final = {
    Condition.SENSOR_FROZEN: (1, 1),
    Condition.SENSOR_ZERO_OFF: (2, 2),
    Condition.VENT_BLOCKED: (2, 2),
    Condition.SLOW_VACUUM_DECAY: (2, 2),
    Condition.PULSATION_OFF: (3, 3),
    Condition.STEADY_LEAK: (2, 1),
}
"""Verdicts in a row that open and that close (looks of 10 s; take-offs; milkings)."""


class Verdict(IntEnum):
    """What one look says; who is unsure says nothing at all."""

    GOOD = 0
    BAD = 1


@dataclass(frozen=True, slots=True)
class Finding:
    """One verdict on one condition.

    Attributes
    ----------
    condition, verdict:
        What was looked at, and how it was.
    from_bin, to_bin:
        Bins that the verdict speaks of, half-open.
    figures:
        Numbers behind the evidence, as :mod:`detect.evidence` wants them; empty for a good one.
    """

    condition: Condition
    verdict: Verdict
    from_bin: int
    to_bin: int
    figures: tuple[float, ...] = ()


def take_finding(s: Any, parlor: str, finding: Finding) -> ConditionEvent | None:
    """Count a finding in the state of its stall (a row of STALL_DTYPE) and return what it makes known."""
    e, at = s["episode"], WATCHED.index(finding.condition)
    opens, closes = NEEDED[finding.condition]
    if finding.verdict is Verdict.GOOD:
        e["bad"][at] = 0
        if not e["open"][at]:
            return None
        if e["good"][at] == 0:
            e["fine_bin"][at] = finding.from_bin
        e["good"][at] += 1
        if e["good"][at] < closes:
            return None
        e["open"][at] = 0
        return _event(s, parlor, at, max(int(e["fine_bin"][at]), int(e["from_bin"][at]) + 1))
    e["good"][at] = 0
    if e["open"][at]:
        return None
    if e["bad"][at] == 0:
        e["from_bin"][at] = finding.from_bin
    e["bad"][at] += 1
    e["figures"][at][: len(finding.figures)] = finding.figures
    if e["bad"][at] < opens:
        return None
    e["open"][at], e["found_bin"][at] = 1, finding.to_bin
    return _event(s, parlor, at, None)


def is_open(s: Any, condition: Condition) -> bool:
    """Tell whether a condition stands at a stall."""
    return bool(s["episode"]["open"][WATCHED.index(condition)])


def suspected(state: Any, condition: Condition) -> NDArray[np.bool_]:
    """Tell where a condition stands or was suspected last: at other stalls a good verdict changes nothing."""
    e, at = state["episode"], WATCHED.index(condition)
    found: NDArray[np.bool_] = (e["open"][:, at] | e["bad"][:, at]) != 0
    return found


def _event(s: Any, parlor: str, at: int, end_bin: int | None) -> ConditionEvent:
    e = s["episode"]
    return ConditionEvent(
        parlor=parlor,
        stall=int(s["index"]) + 1,
        start_ns=int(e["from_bin"][at]) * BIN_NS,
        end_ns=None if end_bin is None else end_bin * BIN_NS,
        detected_ns=int(e["found_bin"][at]) * BIN_NS,
        condition=WATCHED[at],
        evidence=evidence_text(WATCHED[at], [float(x) for x in e["figures"][at]]),
    )
