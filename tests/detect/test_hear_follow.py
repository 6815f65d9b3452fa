"""An opening followed bin by bin until it ends."""

from __future__ import annotations

from typing import Any

import pytest

from detect.hear import (
    HELD_AFTER,
    OPEN,
    PAUSE,
    STALE,
    follow_event,
)
from detect.opening import FALLEN, RINGING_L_MIN, RINGING_SHARE
from detect.params import BIN_S
from detect.state import LATE
from tests.detect.by_hand import NUM, QUIET_KPA, stall, write_air, write_raw

AT = 10_110
LITRE = BIN_S / 60.0
"""Of one bin of 1 L/min."""


def following(excess: list[float], kpa: float = 30.0, **fields: Any) -> Any:
    """Return an opening after some bins of air over its reference, at one vacuum."""
    event = {"opening": OPEN, "op_on": AT - 1, "ev_on": AT - 1, "ev_base": QUIET_KPA, "ev_last": AT - 1}
    s = stall(**(event | {"ev_ref": 7.0, "ev_fall": 12.0, "ev_depth": 12.0} | fields))
    write_raw(s, AT - 20, [QUIET_KPA] * 20)
    write_air(s, [7.0, 7.0])
    for k, air in enumerate(excess):
        write_air(s, [air + 7.0])
        s["raw"][(AT + k) & 127] = kpa
        follow_event(s, AT + k, air, NUM)
    return s


def test_litres_and_peak_of_an_opening() -> None:
    """Litres are the sum; the peak is the best mean of two bins; the end is the last bin of much air."""
    s = following([60.0, 90.0, 30.0, 17.0, 2.0])
    assert s["ev_l"] == pytest.approx(199.0 * LITRE)
    assert (s["ev_peak"], s["op_peak"]) == (pytest.approx(75.0), pytest.approx(75.0))
    assert (s["ev_last"], s["quiet_run"]) == (AT + 3, 1)
    assert (s["ev_depth"], s["ev_fall"]) == (12.0, 12.0)
    so_far = [s["late_l"][(AT + k) % LATE] for k in range(5)]
    assert so_far == pytest.approx([60.0 * LITRE, 150.0 * LITRE, 180.0 * LITRE, 197.0 * LITRE, s["ev_l"]])


def test_an_opening_ends_after_four_bins_of_little_air() -> None:
    """Under a fifth of its peak for 0.2 s it has resealed: baseline held for a second, figures kept."""
    s = following([100.0, 100.0, 19.0, 19.0, 19.0])
    assert (s["opening"], s["quiet_run"]) == (OPEN, 3)
    s = following([100.0, 100.0, 19.0, 19.0, 19.0, 19.0])
    assert (s["opening"], s["hold_until"], s["sure_l"]) == (PAUSE, AT + 5 + HELD_AFTER, s["ev_l"])
    assert following([100.0, 100.0, 19.0, 19.0, 21.0, 19.0, 19.0])["opening"] == OPEN
    deep = following([100.0, 100.0] + [19.0] * 9, kpa=0.29 * QUIET_KPA)
    assert (deep["opening"], deep["quiet_run"]) == (OPEN, 0)


@pytest.mark.parametrize(
    ("l_min", "largest", "pulses", "counts"),
    [
        (RINGING_L_MIN - 0.1, 100.0, 2, False),
        (RINGING_L_MIN + 0.1, 100.0, 2, True),
        (RINGING_SHARE * 9.0 - 0.1, 9.0, 3, False),
        (RINGING_SHARE * 9.0 + 0.1, 9.0, 3, True),
        (RINGING_L_MIN - 0.1, 100.0, 1, True),
    ],
)
def test_the_ringing_after_an_opening_prolongs_nothing(
    l_min: float, largest: float, pulses: int, counts: bool
) -> None:
    """Less than a vent lets in, and little against the largest: the event ends with the opening before."""
    before = {"firm_last": AT - 40, "ev_peak": largest, "ev_pulses": pulses}
    s = following([l_min, l_min, 0.0, 0.0, 0.0, 0.0], **before)
    assert s["opening"] == PAUSE
    last = AT + 1 if counts else AT - 40
    assert (s["ev_last"], s["firm_last"], s["sure_last"]) == (last, last, last)
    assert s["ev_pulses"] == (pulses if counts else pulses - 1)


def test_the_time_under_half_the_vacuum_is_counted() -> None:
    """Once under half, it must rise over 65 % to count as out of it; the longest run is kept."""
    s = following([100.0] * 5, kpa=0.49 * QUIET_KPA)
    assert (s["low_run"], s["ev_low"], s["low_on"]) == (5, 5, AT - 1)
    assert following([100.0] * 5, kpa=0.51 * QUIET_KPA)["low_run"] == 0
    assert following([100.0], kpa=0.64 * QUIET_KPA, low_run=9)["low_run"] == 10
    s = following([100.0], kpa=0.66 * QUIET_KPA, low_run=9, ev_low=9)
    assert (s["low_run"], s["ev_low"]) == (0, 9)


def drifts(level: float, kpa: float = QUIET_KPA, **fields: Any) -> bool:
    """Tell whether an opening of over 3 s counts as a drift, and check that its reference follows then."""
    s = following([level, level], kpa, **({"op_on": AT - STALE} | fields))
    drifting = bool(s["drifting"])
    gained = s["ev_ref"] - 7.0
    assert gained == (pytest.approx(level * BIN_S / 3.0, rel=0.01) if drifting else 0.0)
    return drifting


def test_a_weak_or_slow_opening_of_over_three_seconds_becomes_the_new_quiet() -> None:
    """Under 40 L/min, or with less than half of its depth within 0.25 s; not a unit that lies open."""
    assert drifts(35.0)
    assert not drifts(45.0)
    assert not drifts(35.0, op_on=AT - STALE + 1)
    assert drifts(45.0, ev_depth=13.0, ev_fall=6.0)
    assert not drifts(45.0, ev_depth=13.0, ev_fall=7.0)
    assert not drifts(35.0, 10.0, low_run=FALLEN - 1, ev_low=FALLEN)
    assert drifts(35.0, 10.0, low_run=FALLEN - 2, ev_low=FALLEN)
