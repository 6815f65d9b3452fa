"""What the compiled detector remembers of one stall, and what it reports.

One numpy record a stall: a checkpoint is its bytes, so a restart continues to the last bit.
Times are bin numbers (50 ms since 1970-01-01 UTC); ``-1`` means never.
"""

from __future__ import annotations

from enum import IntEnum
from typing import Any, Final, NamedTuple

import numpy as np

from detect.arm_state import ARM_FIELDS
from detect.drain import DRAIN_FIELDS
from detect.episode import EPISODE_FIELDS
from detect.machine import compiled
from detect.norms import NORM_FIELDS
from detect.quarter_state import TUBE_FIELDS

RING: Final = 128
"""Bins kept of level, air and raw vacuum (6.4 s); a power of two."""
HARMONICS: Final = 4
"""Multiples of the pulsation rate that are taken out of the vacuum."""
ORDER: Final = 24
"""Bins (1.2 s, a whole pulsation) from which the next one is foreseen."""
TRACE: Final = 32
"""Bins kept of steps and innovations; a power of two above ``ORDER``."""
WIDTHS: Final = (3, 6, 12, 24)
"""Widths in bins over which a fall is looked for: 0.15, 0.3, 0.6 and 1.2 s."""
LATE: Final = 16
"""Bins kept of an event's litres, to tell what had come in before a collapse."""
SHAPES: Final = 2
"""A fall happens within one bin or within two."""
NEIGHBOUR: Final = 0.3
"""Correlation of neighbouring steps of a stall of which nothing is known yet (engineering choice)."""
USUAL_TAKE_OFF_S: Final = 0.4
"""Time in which the vacuum goes at a take-off while a stall's own is not known [s] (engineering choice)."""
MILKED: Final = 160
"""Bins of milk (8 s) after which a unit counts as let down."""


class Opening(IntEnum):
    """Where an air admission stands."""

    NONE = 0
    OPEN = 1
    PAUSE = 2


class Happening(IntEnum):
    """What the kernel reports to the milking assembler."""

    ATTACHED = 1
    DETACHED = 2
    AIR_FOUND = 3
    AIR_CLOSED = 4
    PLANT_CLOSED = 5
    GAP_CLOSED = 6
    SUPPORT_FOUND = 7
    SUPPORT_CLOSED = 8


UNIT_FIELDS: Final = [
    ("index", "i8"),  # stall number less one
    ("kpa", "f8"),  # last measured vacuum
    ("missing", "i8"),  # run of bins without data
    ("gap_bin", "i8"),  # first bin of that run
    ("resume_bin", "i8"),  # first bin after the last gap
    ("flow", "f8"),  # last milk flow reading
    ("flow_bin", "i8"),
    ("flow_slow", "f8"),  # flow of the last seconds, held during events
    ("flow_slower", "f8"),
    ("attached", "i8"),
    ("on_run", "i8"),
    ("off_run", "i8"),
    ("on_bin", "i8"),
    ("up_bin", "i8"),  # when the vacuum was up
    ("cup_bin", "i8"),  # when the first cup went on
    ("cup_last", "i8"),
    ("shut_kpa", "f8"),  # what the sensor shows while the line is shut
    ("take_off_s", "f8"),  # how long the vacuum usually takes to go
    ("take_offs", "i8"),
    ("off_bin", "i8"),
    ("high_bin", "i8"),  # last bin near the quiet vacuum
    ("fell_bin", "i8"),  # first bin since then below off
    ("linger", "i8"),  # bins since then between off and half the quiet vacuum
    ("seen_off", "i8"),  # the unit was seen off since the record began
    ("settled", "i8"),
    ("steady_run", "i8"),
    ("milked", "i8"),  # bins of milk since the unit was put on
    ("raw", "f8", RING),  # vacuum by bin number
    ("level", "f8", RING),  # vacuum less the common signal, by count
    ("level_sum", "f8"),
    ("seen", "i8"),  # bins counted in level
    ("usual", "f8"),  # slow mean of level
    ("speed", "f8"),  # milk tube: mixture speed
    ("liquid", "f8"),  # milk tube: liquid mass
    ("ready", "i8"),  # rest holds a value of this bin
    ("now_level", "f8"),  # vacuum less the plant sensor's fast part
    ("rest", "f8"),  # that less baseline and ripple
    ("fall", "f8"),  # last fall below the baseline
    ("air_sum", "f8", RING),  # running sum of admitted air [L], by count
    ("air_seen", "i8"),
    ("pulse_hz", "f8"),  # pulsation rate
    ("pulse_known", "i8"),  # times it was found
    ("pulse_anchor", "f8"),  # where it was found
    ("pulse_phase", "f8"),
    ("pulse_n", "i8"),
    ("ripple_a", "f8", HARMONICS),
    ("ripple_b", "f8", HARMONICS),
    ("hold_until", "i8"),  # baseline is held until this bin
]
TRACE_FIELDS: Final = [
    ("trace_n", "i8"),  # bins followed in this attachment
    ("trace_level", "f8"),  # last level, measured or guessed
    ("trace_gap", "i8"),  # bins guessed since
    ("step", "f8", TRACE),  # steps of the level, by count
    ("lags", "f8", ORDER + 1),  # their running lag products, in units of their power
    ("power", "f8"),
    ("ahead", "f8", ORDER + 1),  # prediction error filter
    ("falls", "f8", (SHAPES, ORDER)),  # trace that a fall within one bin or two leaves in the innovations
    ("norm", "f8", (SHAPES, len(WIDTHS))),  # length of its beginning over each width
    ("spread", "f8"),  # of the innovations [kPa]
    ("news", "f8"),  # innovation of this bin, in spreads
    ("told", "i8"),  # that is known
    ("fresh", "f8", TRACE),  # innovations less the shared ones, by count
    ("now_score", "f8"),  # highest likeness of the newest bins to a fall
    ("now_rise", "f8"),  # and to a reseal
    ("tail", "f8"),  # likeness that ordinary slugs seldom exceed
    ("tail_before", "f8"),  # its value when the likeness last was below
    ("calm_run", "i8"),
    ("taught", "i8"),  # quiet bins learned
]
EVENT_FIELDS: Final = [
    ("opening", "i8"),
    ("ev_on", "i8"),
    ("ev_found", "i8"),
    ("ev_last", "i8"),
    ("firm_last", "i8"),  # that of its last opening that was no ringing
    ("firm_end", "i8"),  # and the first bin after it, where it resealed
    ("op_on", "i8"),
    ("op_found", "i8"),
    ("op_rise", "f8"),  # clearest rise since
    ("reseal_rise", "f8"),  # that of the last reseal
    ("reseal_found", "i8"),
    ("reseal_on", "i8"),  # first bin of it, -1 none
    ("quiet_run", "i8"),
    ("ev_base", "f8"),
    ("ev_ref", "f8"),
    ("ev_flow", "f8"),
    ("ev_score", "f8"),  # highest likeness to a fall, in standard deviations
    ("ev_rise", "f8"),  # highest likeness to a reseal
    ("ev_tail", "f8"),  # tail before it began
    ("ev_milked", "i8"),
    ("ev_common", "f8"),
    ("op_peak", "f8"),
    ("ev_pulses", "i8"),
    ("ev_l", "f8"),
    ("late_l", "f8", LATE),  # litres of the event by its last bins
    ("ev_peak", "f8"),
    ("ev_depth", "f8"),
    ("ev_fall", "f8"),
    ("ev_peak_flow", "f8"),
    ("ev_rising", "i8"),
    ("ev_age", "i8"),
    ("ev_low", "i8"),  # longest run of bins under the fall-off share
    ("low_run", "i8"),
    ("low_on", "i8"),  # where the vacuum left the quiet one before that run
    ("eased", "i8"),  # before that it had gone little by little
    ("drifting", "i8"),  # the opening looks like milk rising, not like air
    ("hanging", "i8"),  # the unit fell and its line is still open: 1 not told yet, 2 told
    ("hang_from", "i8"),
    ("hang_off", "i8"),  # when the vacuum was gone
    ("hang_last", "i8"),  # last bin in which the line was open
    ("hang_quiet", "f8"),  # vacuum before it fell
    ("hang_l_min", "f8"),  # air it takes in meanwhile
    ("sure_last", "i8"),  # figures as of the last bin near the quiet vacuum: before a take-off or a fall
    ("sure_pulses", "i8"),
    ("sure_l", "f8"),
    ("sure_peak", "f8"),
    ("sure_depth", "f8"),
    ("sure_fall", "f8"),
    ("sure_low", "i8"),
]
FIGURE_FIELDS: Final = [
    ("open", "i8"),  # a milking is open
    ("first_bin", "i8"),
    ("on_bins", "i8"),
    ("data_bins", "i8"),
    ("yield_kg", "f8"),
    ("two_minute_kg", "f8"),
    ("sec_flow", "f8", 10),  # means of the last ten seconds
    ("sec_kpa", "f8", 10),
    ("sec_count", "i8"),
    ("part_flow", "f8"),
    ("part_kpa", "f8"),
    ("part_n", "i8"),
    ("peak_flow", "f8"),
    ("peak_kpa", "f8"),
    ("milk_bin", "i8"),  # last bin with more than low flow
]
PARTS: Final = [  # what other modules keep of a stall, each in a record of its own
    ("drain", np.dtype(DRAIN_FIELDS)),
    ("tubes", np.dtype(TUBE_FIELDS)),
    ("norms", np.dtype(NORM_FIELDS)),
    ("episode", np.dtype(EPISODE_FIELDS)),
]
STALL_FIELDS: Final = [*UNIT_FIELDS, *TRACE_FIELDS, *EVENT_FIELDS, *FIGURE_FIELDS, *ARM_FIELDS, *PARTS]
STALL_DTYPE: Final = np.dtype((np.record, STALL_FIELDS))
"""As all records here: the interpreter reads their fields by name too, as compiled code does."""

PLANT_FIELDS: Final = [
    ("slow", "f8"),  # slow plant vacuum
    ("seen", "i8"),
    ("missing", "i8"),
    ("sensed", "f8"),  # fast part by its own sensor
    ("common", "f8"),  # fast part shared by all stalls
    ("common_mean", "f8"),  # its mean over the last seconds
    ("dip_run", "i8"),
    ("dip_bin", "i8"),
    ("dip_last", "i8"),
    ("dip_depth", "f8"),
    ("dip_touched", "i8"),
]
PLANT_DTYPE: Final = np.dtype((np.record, PLANT_FIELDS))

HAPPENING_FIELDS: Final = [
    ("what", "i8"),
    ("stall", "i8"),
    ("bin", "i8"),
    ("from_bin", "i8"),
    ("to_bin", "i8"),
    ("found_bin", "i8"),
    ("depth", "f8"),
    ("fall", "f8"),
    ("litres", "f8"),
    ("peak", "f8"),
    ("pulses", "i8"),
    ("flow", "f8"),
    ("base", "f8"),
    ("score", "f8"),
    ("rise", "f8"),
    ("tail", "f8"),
    ("belief", "f8"),
    ("flag", "i8"),
    ("value", "f8"),
    ("peak_flow", "f8"),  # of the milking before the event
    ("rising", "i8"),  # milk flow was rising
    ("age", "i8"),  # bins since the milking began
    ("quarter", "i8"),  # 1 to 4: whose short milk tube let it in, 0 when nobody knows
]
HAPPENING_DTYPE: Final = np.dtype((np.record, HAPPENING_FIELDS))


class Now(NamedTuple):
    """One bin as the compiled functions see it.

    Attributes
    ----------
    bin:
        Number of the bin.
    sensed_kpa, shared_kpa:
        What the whole plant does: by its own sensor, or without one by the stalls' median.
    shared_news:
        What all stalls innovate in this bin, in their own spreads.
    stir_kpa:
        How far that is from its own mean of the last seconds.
    rows, used:
        Happenings written so far (array of HAPPENING_DTYPE) and their number (array of one).
    turns:
        Cosine and sine of every rate that a pulsator may have, shape (2, RATES).
    waves:
        Cosine and sine of the multiples of each pulsator's phase, shape (stalls, 2, HARMONICS).
    """

    bin: int
    sensed_kpa: float
    shared_kpa: float
    shared_news: float
    stir_kpa: float
    rows: np.ndarray
    used: np.ndarray
    turns: np.ndarray
    waves: np.ndarray


class Bins(NamedTuple):
    """A stretch of closed bins: all of shape (bins, stalls) but ``plant_kpa`` (bins,); NaN is no data.

    ``tubes`` is the vacuum of the short milk tubes, shape (bins, stalls, 4), or 0 in place of 4 when no
    stall measures it.
    """

    first_bin: int
    kpa: np.ndarray
    plant_kpa: np.ndarray
    flow: np.ndarray
    angle: np.ndarray
    cord: np.ndarray
    tubes: np.ndarray

    def each(self) -> list[Bins]:
        """Return the same bins one by one."""
        first, plant = self.first_bin, self.plant_kpa
        grids = (self.kpa, self.flow, self.angle, self.cord, self.tubes)
        rows = [[grid[k : k + 1] for grid in grids] for k in range(len(plant))]
        return [
            Bins(first + k, kpa, plant[k : k + 1], flow, angle, cord, tubes)
            for k, (kpa, flow, angle, cord, tubes) in enumerate(rows)
        ]


@compiled
def report(now: Now, what: int, stall: int) -> Any:
    """Return the next free row of the happenings, begun."""
    row = now.rows[now.used[0]]
    now.used[0] += 1
    row.what, row.stall, row.bin, row.quarter = what, stall, now.bin, 0
    return row


def new_stalls(stalls: int) -> np.ndarray:
    """Return the state of stalls of which nothing is known yet, shape (stalls,)."""
    state = np.zeros(stalls, STALL_DTYPE)
    state["index"] = np.arange(stalls)
    for name in (
        "flow_bin",
        "on_bin",
        "off_bin",
        "moved_bin",
        "milk_bin",
        "arm_bin",
        "parked_bin",
        "gap_bin",
        "resume_bin",
        "cup_bin",
    ):
        state[name] = -1
    state["pulse_hz"] = state["pulse_anchor"] = 1.0
    state["raw"] = np.nan
    state["tubes"]["rest"] = np.nan
    state["flow"] = np.nan
    state["kpa"] = np.nan
    state["removal_kpa"] = np.nan
    state["lags"][:, :2] = (1.0, NEIGHBOUR)
    state["ahead"][:, :2] = (1.0, -NEIGHBOUR)
    state["falls"][:, 0, :2] = (1.0, -NEIGHBOUR)
    state["falls"][:, 1, :3] = (1.0, 1.0 - NEIGHBOUR, -NEIGHBOUR)
    state["norm"] = np.sqrt(np.sum(state["falls"] ** 2, axis=2, keepdims=True))
    state["take_off_s"] = USUAL_TAKE_OFF_S
    state["power"] = state["spread"] = 0.5
    state["tail"] = state["tail_before"] = 3.0
    return state
