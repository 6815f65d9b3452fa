"""What a finished opening must have brought to be told at all."""

from __future__ import annotations

import numpy as np
import pytest

from detect.hear import report_event
from detect.params import BIN_S
from detect.state import MILKED, new_stalls
from tests.detect.by_hand import NUM, moment

ONSET = 20_000


def told(*, litres: float, lasted_s: float, after_first_cup_s: float = 120.0) -> bool:
    """Tell whether an opening that fell and resealed like a slip is reported."""
    stall = new_stalls(1).view(np.recarray)[0]
    stall["on_bin"], stall["ev_milked"] = ONSET - round(after_first_cup_s / BIN_S), MILKED
    stall["ev_on"], stall["ev_last"] = ONSET, ONSET + round(lasted_s / BIN_S) - 1
    stall["ev_l"], stall["ev_depth"], stall["ev_peak"], stall["ev_pulses"] = litres, 5.0, 40.0, 2
    stall["ev_score"] = stall["ev_rise"] = 25.0
    stall["ev_tail"] = stall["tail"] = 3.0
    now = moment(ONSET + 4000)
    report_event(stall, now, NUM)
    return bool(now.used[0])


@pytest.mark.parametrize(
    ("litres", "lasted_s", "heard"), [(0.2, 1.0, True), (0.2, 20.0, True), (0.06, 41.0, False)]
)
def test_a_trickle_over_most_of_a_minute_is_a_drift(litres: float, lasted_s: float, heard: bool) -> None:
    """0.06 L in 41 s: a hundredth of what the vent takes in meanwhile (4-12 L/min, ISO 5707 from memory)."""
    assert told(litres=litres, lasted_s=lasted_s) is heard


@pytest.mark.parametrize(("after_s", "heard"), [(8.0, False), (30.0, True)])
def test_what_comes_while_cups_are_put_on_is_doubted(after_s: float, heard: bool) -> None:
    """The same puff is a cup being put on at first, and a slip later."""
    assert told(litres=0.3, lasted_s=1.0, after_first_cup_s=after_s) is heard
