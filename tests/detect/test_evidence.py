"""The sentences a technician reads, on both sides of each choice of words."""

from __future__ import annotations

import pytest

from detect.evidence import MOST_TOLD_L_MIN, UNDER_VACUUM_KPA, evidence_text
from detect.kinds import Condition

DRAINED = (
    "draining to 10 kPa takes 3.2 s after the shut-off, usually 0.9 s;"
    " net inflow about 3.0 L/min, usually 10.7"
)


@pytest.mark.parametrize(
    ("condition", "figures", "text"),
    [
        (
            Condition.SENSOR_FROZEN,
            (UNDER_VACUUM_KPA + 0.01, 12.4, 2.0),
            "the sensor reads 5.01 kPa unchanged for 12 s under vacuum",
        ),
        (
            Condition.SENSOR_FROZEN,
            (UNDER_VACUUM_KPA - 0.01, 12.6, 2.04),
            "the sensor reads 4.99 kPa unchanged for 13 s while 2.0 kg/min of milk flow",
        ),
        (
            Condition.SENSOR_ZERO_OFF,
            (-1.2,),
            "the claw reads -1.20 kPa while the unit hangs open, it should be 0 +- 0.5 kPa",
        ),
        (
            Condition.VENT_BLOCKED,
            (3.2, 0.9, 3.0, 10.7, 5.04),
            f"{DRAINED}; claw vacuum in milking 5.0 kPa above the usual one",
        ),
        (
            Condition.VENT_BLOCKED,
            (3.2, 0.9, 3.0, 10.7, -5.04),
            f"{DRAINED}; claw vacuum in milking 5.0 kPa below the usual one",
        ),
        (
            Condition.VENT_BLOCKED,
            (3.2, 0.9, 3.0, 10.7, 0.5),
            f"{DRAINED}; claw vacuum in milking 0.5 kPa above the usual one",
        ),
        (
            Condition.SLOW_VACUUM_DECAY,
            (3.2, 0.9, 3.0, 10.7, 0.1),
            f"{DRAINED}; claw vacuum in milking as usual",
        ),
        (
            Condition.PULSATION_OFF,
            (0.03, 1.33, 0.0, 60.0),
            "the claw's beat has gone: 0.03 kPa, usually 1.33 kPa at 60 a minute",
        ),
        (
            Condition.PULSATION_OFF,
            (1.1, 1.33, 0.9, 60.0),
            "the claw beats 1 times a minute with 1.10 kPa, usually 1.33 kPa at 60 a minute",
        ),
        (
            Condition.STEADY_LEAK,
            (MOST_TOLD_L_MIN - 0.6, 7.9, 3.1),
            "about 49 L/min of air beyond the usual all through a milking: claw vacuum 7.9 kPa under the"
            " usual one at 3.1 kg/min",
        ),
        (
            Condition.STEADY_LEAK,
            (MOST_TOLD_L_MIN, 7.9, 3.1),
            "more than 50 L/min of air beyond the usual all through a milking: claw vacuum 7.9 kPa under the"
            " usual one at 3.1 kg/min",
        ),
    ],
)
def test_what_a_technician_reads(condition: Condition, figures: tuple[float, ...], text: str) -> None:
    """What was measured, what is usual, and on which side."""
    assert evidence_text(condition, figures) == text
