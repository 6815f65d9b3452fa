"""The closed vocabularies of the contract, as enums whose values are the words stored and published."""

from __future__ import annotations

from enum import StrEnum


class Channel(StrEnum):
    """Where a stall's vacuum is measured: the claw, or the short milk tube of one quarter."""

    CLAW = "claw"
    LEFT_FRONT = "lf"
    RIGHT_FRONT = "rf"
    LEFT_REAR = "lr"
    RIGHT_REAR = "rr"


class Quarter(StrEnum):
    """A quarter of the udder, in the words of its short milk tube's channel."""

    LEFT_FRONT = "lf"
    RIGHT_FRONT = "rf"
    LEFT_REAR = "lr"
    RIGHT_REAR = "rr"


class AirKind(StrEnum):
    """What let air into the unit."""

    LINER_SLIP = "liner_slip"
    FALL_OFF = "fall_off"
    VACUUM_REMOVAL = "vacuum_removal"


class Cause(StrEnum):
    """The likeliest reason of an air admission."""

    WEIGHT_NOT_CARRIED = "weight_not_carried"
    QUARTER_DRY = "quarter_dry"
    LOW_PLANT_VACUUM = "low_plant_vacuum"
    STALL_FAULT = "stall_fault"
    COW = "cow"
    UNKNOWN = "unknown"


class Phase(StrEnum):
    """Where in the milk-flow curve of one milking an instant lies (by flow, not by clock)."""

    LET_DOWN = "let_down"
    PEAK = "peak"
    DECLINE = "decline"
    LOW_FLOW = "low_flow"


class SupportState(StrEnum):
    """How a unit is not carried: hanging on a loose cord, or pulled out of line."""

    SLACK = "slack"
    DRAG = "drag"


class Condition(StrEnum):
    """What needs a technician rather than a milker."""

    SENSOR_FROZEN = "sensor_frozen"
    SENSOR_ZERO_OFF = "sensor_zero_off"
    DATA_GAP = "data_gap"
    VENT_BLOCKED = "vent_blocked"
    SLOW_VACUUM_DECAY = "slow_vacuum_decay"
    PULSATION_OFF = "pulsation_off"
    STEADY_LEAK = "steady_leak"
