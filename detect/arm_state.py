"""What the compiled detector remembers of the detach arm of one stall, and of its cord."""

from __future__ import annotations

from typing import Final

RATES: Final = 32
"""Rates at which the arm's beat is looked for."""
VISITS: Final = 8
"""Milkings whose poses are kept."""
EARLY: Final = 4
"""First attachments of a stall that are judged in hindsight."""
SLACK, DRAG, BACK = 1, 2, 3
"""What an arm shows that does not carry its unit, or carries it again; 0 is carried."""
UNKNOWN_SHARE: Final = 0.5
"""Share of the weight carried by an arm that drags, or that has no beat (engineering choice)."""
ARM_FIELDS: Final = [
    ("cord", "f8"),
    ("angle", "f8"),
    ("arm_bin", "i8"),
    ("trail_cord", "f8", 8),  # last 1.6 s
    ("trail_angle", "f8", 8),
    ("trail_n", "i8"),
    ("moved_bin", "i8"),  # when the arm last began to move fast
    ("removal_kpa", "f8"),  # vacuum when the arm began to take the unit away
    ("park_n", "i8"),  # readings behind the parked pose
    ("park_cord", "f8"),
    ("park_angle", "f8"),
    ("near_park", "i8"),
    ("parked_bin", "i8"),  # when the arm last arrived there
    ("arm_n", "i8"),  # arm readings judged in this attachment
    ("last_arm", "i8"),
    ("cord_mean", "f8"),  # of the last second or two
    ("angle_mean", "f8"),
    ("bank", "f8", (4, RATES)),  # lock-ins by rate: angle (re, im), cord (re, im)
    ("bank_power", "f8", (2, RATES)),  # their mean power: angle, cord
    ("beat", "f8", (2, RATES)),  # that while carried
    ("beat_at", "i8"),  # where it is highest
    ("others_at", "i8"),  # where it is with the others; 0 not known
    ("swing_s", "f8"),  # memory of the mean power in this attachment
    ("lost_s", "f8"),  # what is missing of the beat, summed over time
    ("lost_bin", "i8"),  # since when
    ("own_swing", "f8", 2),  # swing of this milking
    ("own_swing_n", "f8"),
    ("others_clear", "f8"),  # 0, or the beat over noise that the others show and this stall never did
    ("own_n", "f8"),  # carried seconds behind the milking's own level
    ("own_cord", "f8"),
    ("own_angle", "f8"),
    ("norm_n", "f8"),  # carried seconds behind the stall's norm
    ("visit_s", "f8"),  # seconds behind this milking's mean pose
    ("visit_angle", "f8"),
    ("visit_cord", "f8"),
    ("visits", "i8"),  # milkings posed so far, the last of them below
    ("visit_angles", "f8", VISITS),
    ("visit_cords", "f8", VISITS),
    ("place_n", "i8"),  # how many of them agree with the stall's usual pose
    ("place_cord", "f8"),
    ("place_angle", "f8"),
    ("place_scatter", "f8", 4),  # sums from cow to cow: angle, both, cord; their number
    ("cow_scatter", "f8", 3),  # that of all stalls: angle, both, cord; 0 not known
    ("norm_swing", "f8", 2),  # what a taut cord shows: angle, cord
    ("swing_noise", "f8", 2),
    ("stray_run", "i8"),  # bins of evidence for the state below
    ("stray_state", "i8"),
    ("fine_run", "i8"),
    ("fine_bin", "i8"),  # where the last stretch of this attachment ended; 0 none
    ("astray", "i8"),  # 0 carried, 1 slack, 2 drag
    ("astray_bin", "i8"),
    ("astray_found", "i8"),
    ("astray_sum", "f8"),  # of the share carried
    ("astray_n", "i8"),
    ("astray_bins", "i8"),  # in this milking
    ("early", "i8"),  # early attachments that are over; one more when they are judged
    ("early_from", "i8", EARLY),
    ("early_to", "i8", EARLY),
    ("early_told", "i8", EARLY),  # it was found while it lasted
    ("early_n", "i8", EARLY),  # readings kept of it, and their means
    ("early_angle", "f8", EARLY),
    ("early_cord", "f8", EARLY),
    ("first_dt_s", "f8"),  # of the first
    ("first_power", "f8", (2, RATES)),
]
