"""What went on around a slip: the arm's unrest, the plant's level, milk flow, support; and for how long.

Each circumstance that may loosen a cup has a strength of 0 and up. It is noted at the onset of every
opening, and summed over all attached time of the parlor (its *exposure*), so that
:mod:`detect.history` can tell how much oftener cups slip under it than without. Everything here runs
in the compiled kernel, bin by bin, so that neither framing nor a restart can change a note.
"""

from __future__ import annotations

import math
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from detect.arm_state import SLACK
from detect.cause import UNREST
from detect.machine import compiled, compiled_allocating
from detect.params import BIN_S
from detect.place import share_scatter
from detect.state import Happening, Now
from detect.swing import ALIKE, TRUSTED_S, clearness

FOUND, CLOSED = int(Happening.AIR_FOUND), int(Happening.AIR_CLOSED)
SECOND: Final = 20
TRAIL: Final = 32
"""Arm readings kept: over a second of them at up to 20 a second; a power of two."""
STRIDE: Final = 18
"""Motion is the change over this many bins (0.9 s): about one pulsation, so that its beat cancels."""
REST_S: Final = 120.0
"""Memory of what the arm of this stall does while the cow stands still [s]."""
BEFORE: Final = 40
"""The arm's unrest counts from 2 s before an onset (bins)."""
AFTER: Final = 20
"""... until 1 s after it (bins): a cow moves first, the cup follows."""
FLOW_SLOTS: Final = 8
"""Milk flow is kept every 5 s for 40 s."""
LEVEL_S: Final = 2.0
"""Plant and claw levels are means of this [s]: a dip of a second weakens no cup for long."""
RISE_S, SINK_S = 60.0, 7200.0
"""The regulated level is followed upwards within a minute and downwards within hours [s]."""
LEAST_PLANT_KPA: Final = 25.0
"""Under this the plant is off [kPa] and says nothing about its regulated level."""
CLAWS_S: Final = 8.0
"""Their median is smoothed over this [s]."""
FEWEST: Final = 4
"""Attached units whose median stands in for the plant's sensor."""
CLAW_S: Final = 3600.0
"""Memory of a claw's own level against flow [s attached]."""
DRY_SHARE, WET_SHARE = 0.3, 0.6
"""Under the first share of its peak flow a unit counts as dry, above the second it does not."""
FLOW_LEAD: Final = 0.45
"""A falling flow is ahead of its followers: meter and first follower lag 4.5 s, the second 10 s more."""
YOUNG_S: Final = 45.0
"""Before this [s] low flow is let-down, no dryness."""
SOUND_KPA: Final = 1.0
"""A plant this little under its regulated level [kPa] is sound."""
ARM_S: Final = 200.0
"""Attached seconds of a stall before others are held against its arm [s]."""
NEVER_TAUT: Final = 0.17
"""A cord whose beat stands this little out of the noise, against the other stalls', was never taut."""
LEAST_OWN: Final = 0.3
"""A beat less clear than this (over the noise of one sample) may be noise alone (engineering choice)."""
STILL_NOT: Final = 1.4
"""... and stays so until it stands out this many times as much."""
LOW_RATE: Final = 0.25
"""Log odds of a slip for each kPa the plant is low (0.4 N of holding force on a 22 mm teat)."""

SCENE_FIELDS: Final = [
    ("arm_bins", "i8", TRAIL),
    ("angles", "f8", TRAIL),
    ("cords", "f8", TRAIL),
    ("arm_n", "i8"),
    ("rest_n", "f8"),  # seconds behind the ordinary motion
    ("rest_angle", "f8"),
    ("rest_cord", "f8"),
    ("unrest", "f8"),  # strongest motion of the last seconds, in ordinary ones
    ("unrest_bin", "i8"),
    ("flows", "f8", FLOW_SLOTS),
    ("claw", "f8"),  # claw level of the last seconds
    ("claw_n", "f8"),  # sums behind the claw's own level against flow
    ("claw_sums", "f8", 4),  # flow, level, flow squared, flow times level
    ("time_s", "f8"),  # attached and settled, ever
    ("deficit", "f8"),  # at the onset
    ("flow", "f8"),
    ("share", "f8"),
    ("dryness", "f8"),
    ("fell", "f8"),
    ("on", "i8"),
    ("moved", "f8"),
]
SCENE_DTYPE: Final = np.dtype((np.record, SCENE_FIELDS))
WHOLE_FIELDS: Final = [
    ("level", "f8"),  # by the plant's sensor
    ("regulated", "f8"),
    ("claws", "f8"),  # what all claws do together, against their own levels
    ("claws_best", "f8"),
    ("claws_n", "f8"),
    ("deficit", "f8"),
    ("heard_bin", "i8"),  # last bin with the plant's sensor
    ("time_s", "f8"),  # attached and settled time of all stalls
    ("strength_s", "f8", 4),  # strength times seconds, in the order of cause.CIRCUMSTANCES
]
WHOLE_DTYPE: Final = np.dtype((np.record, WHOLE_FIELDS))
NOTE_FIELDS: Final = [
    ("deficit_kpa", "f8"),  # plant under its regulated level
    ("lowness", "f8"),  # strength of that
    ("flow_kg_min", "f8"),  # before the air came into the meter, its lag made good
    ("flow_share", "f8"),  # of the peak
    ("dryness", "f8"),  # strength of that
    ("flow_fell", "f8"),  # share lost in 30 s
    ("unrest", "f8"),
    ("arm_known", "i8"),
    ("loose_s", "f8"),  # seconds the unit was not carried before the onset
    ("loose_state", "i8"),
    ("stall_s", "f8"),
    ("all_s", "f8"),
    ("all_strength_s", "f8", 4),
]
NOTE_DTYPE: Final = np.dtype((np.record, NOTE_FIELDS))


class Witness(NamedTuple):
    """Where the circumstances are kept.

    Attributes
    ----------
    scenes:
        One record a stall, SCENE_DTYPE.
    whole:
        One record of the whole parlor, WHOLE_DTYPE of shape (1,).
    notes:
        One note a row of the happenings, NOTE_DTYPE.
    """

    scenes: np.ndarray
    whole: np.ndarray
    notes: np.ndarray


def new_scenes(stalls: int) -> tuple[NDArray[np.void], NDArray[np.void]]:
    """Return the records of stalls and of a parlor of which nothing is known yet."""
    scenes = np.zeros(stalls, SCENE_DTYPE)
    scenes["unrest_bin"] = scenes["on"] = -1
    scenes["flows"] = np.nan
    whole = np.zeros(1, WHOLE_DTYPE)
    whole["heard_bin"] = -1
    return scenes, whole


@compiled
def watch_unrest(c: Any, s: Any, b: int, pose: tuple[float, float]) -> None:
    """Hold the arm's motion over one beat against what is ordinary at this stall."""
    n, (angle_deg, cord_mm) = c.arm_n, pose
    c.arm_bins[n % TRAIL], c.angles[n % TRAIL], c.cords[n % TRAIL] = b, angle_deg, cord_mm
    c.arm_n = n + 1
    back = 1
    while back <= min(n, TRAIL - 1) and b - c.arm_bins[(n - back) % TRAIL] < STRIDE:
        back += 1
    if back > min(n, TRAIL - 1) or b - c.arm_bins[(n - back) % TRAIL] > 2 * STRIDE:
        return
    angle = abs(angle_deg - c.angles[(n - back) % TRAIL])
    cord = abs(cord_mm - c.cords[(n - back) % TRAIL])
    if s.attached == 0 or s.settled == 0:
        return
    dt_s = min(max((b - c.arm_bins[(n - 1) % TRAIL]) * BIN_S, BIN_S), 0.5)
    c.rest_n += dt_s
    if c.rest_n < 10.0:
        c.rest_angle += dt_s / c.rest_n * (angle - c.rest_angle)
        c.rest_cord += dt_s / c.rest_n * (cord - c.rest_cord)
        return
    gain = dt_s / min(REST_S, c.rest_n)
    here = max(angle / max(c.rest_angle, 1e-3), cord / max(c.rest_cord, 1e-2))
    c.rest_angle += gain * (min(angle, 3.0 * c.rest_angle) - c.rest_angle)
    c.rest_cord += gain * (min(cord, 3.0 * c.rest_cord) - c.rest_cord)
    if b - c.unrest_bin > BEFORE or here >= c.unrest:
        c.unrest, c.unrest_bin = here, b
    if c.on >= 0 and b <= c.on + AFTER:
        c.moved = max(c.moved, here)


@compiled
def watch_level(whole: Any, b: int, plant_kpa: float) -> None:
    """Follow the plant's level and the regulated one it should have, from its own sensor."""
    if math.isnan(plant_kpa):
        return
    if whole.heard_bin < 0:
        whole.level = plant_kpa
    whole.heard_bin = b
    whole.level += BIN_S / LEVEL_S * (plant_kpa - whole.level)
    if whole.level < LEAST_PLANT_KPA:
        whole.deficit = 0.0
        return
    pace = RISE_S if whole.level > whole.regulated else SINK_S
    gain = BIN_S / pace if whole.regulated > 0.0 else 1.0
    whole.regulated += gain * (whole.level - whole.regulated)
    whole.deficit = max(0.0, whole.regulated - whole.level)


@compiled
def claw_gap(c: Any, s: Any, learns: bool) -> float:
    """Return how far the claw stands under what it has at this flow [kPa]; NaN if unknown. Learn that."""
    gap, f, v = math.nan, s.flow_slow, c.claw
    if c.claw_n >= 60.0:
        mean_f, mean_v = c.claw_sums[0] / c.claw_n, c.claw_sums[1] / c.claw_n
        spread = c.claw_sums[2] / c.claw_n - mean_f * mean_f
        slope = (c.claw_sums[3] / c.claw_n - mean_f * mean_v) / (spread + 0.05)
        gap = mean_v + min(0.0, max(-6.0, slope)) * (f - mean_f) - v
    if not learns and c.claw_n >= 60.0:
        return gap
    keep = 1.0 - 1.0 / max(CLAW_S, c.claw_n + 1.0)
    c.claw_n = keep * c.claw_n + 1.0
    c.claw_sums[0] = keep * c.claw_sums[0] + f
    c.claw_sums[1] = keep * c.claw_sums[1] + v
    c.claw_sums[2] = keep * c.claw_sums[2] + f * f
    c.claw_sums[3] = keep * c.claw_sums[3] + f * v
    return gap


@compiled
def watch_claws(whole: Any, common_kpa: float) -> None:
    """Stand in for the plant's sensor, once a second, by what all claws do together."""
    if math.isnan(common_kpa):
        whole.deficit = 0.0
        return
    whole.claws_n += 1.0
    whole.claws += 1.0 / min(CLAWS_S, whole.claws_n) * (common_kpa - whole.claws)
    pace = RISE_S if whole.claws > whole.claws_best else SINK_S
    whole.claws_best += 1.0 / pace * (whole.claws - whole.claws_best)
    whole.deficit = max(0.0, whole.claws_best - whole.claws)


@compiled
def dryness(s: Any, b: int) -> float:
    """Return how surely a quarter is dry by the fall of the flow, 0..1."""
    if s.flow_bin < 0 or s.peak_flow <= 0.0 or (b - s.first_bin) * BIN_S < YOUNG_S:
        return 0.0
    gap = (WET_SHARE - s.flow_slow / s.peak_flow) / (WET_SHARE - DRY_SHARE)
    return float(min(1.0, max(0.0, gap)) ** 2)


@compiled
def lowness(deficit_kpa: float) -> float:
    """Return how much a low plant loosens cups, as odds added."""
    return float(math.expm1(LOW_RATE * min(max(0.0, deficit_kpa - SOUND_KPA), 20.0)))


@compiled_allocating
def count_second(stalls: Any, w: Witness, b: int) -> None:
    """Add one second of every attached unit to the exposures."""
    whole = w.whole[0]
    gaps, n = np.empty(stalls.shape[0]), 0
    for i in range(stalls.shape[0]):
        s, c = stalls[i], w.scenes[i]
        if b % (5 * SECOND) == 0:
            for k in range(FLOW_SLOTS - 1):
                c.flows[k] = c.flows[k + 1]
            c.flows[FLOW_SLOTS - 1] = s.flow_slow if s.attached == 1 else math.nan
        if s.attached == 0 or s.settled == 0 or s.missing > 0:
            c.claw = s.kpa
            continue
        c.claw += 1.0 / LEVEL_S * (s.kpa - c.claw)
        gap = claw_gap(c, s, whole.deficit < SOUND_KPA)
        if not math.isnan(gap):
            gaps[n] = gap
            n += 1
        c.time_s += 1.0
        whole.time_s += 1.0
        whole.strength_s[0] += 1.0 if s.astray > 0 or s.others_clear > 0.0 else 0.0
        whole.strength_s[1] += dryness(s, b)
        whole.strength_s[2] += lowness(whole.deficit)
        whole.strength_s[3] += 1.0 if c.unrest > UNREST and b - c.unrest_bin <= BEFORE + AFTER else 0.0
    if whole.heard_bin < 0 or b - whole.heard_bin > 10 * SECOND:
        watch_claws(whole, -float(np.median(gaps[:n])) if n >= FEWEST else math.nan)


@compiled_allocating
def compare_arms(stalls: Any) -> None:
    """Tell every stall the rate of the others, and one that is never carried what the others show."""
    clear, rates, n = np.empty(stalls.shape[0]), np.empty(stalls.shape[0]), 0
    for i in range(stalls.shape[0]):
        if stalls[i].norm_n >= ARM_S:
            rates[n] = stalls[i].beat_at
            clear[n] = math.sqrt(clearness(stalls[i], 0) + clearness(stalls[i], 1))
            n += 1
    usual = float(np.median(clear[:n])) if n >= FEWEST else 0.0
    rate = int(np.median(rates[:n])) if n >= FEWEST else 0
    share_scatter(stalls)
    for i in range(stalls.shape[0]):
        s = stalls[i]
        s.others_at = rate
        if rate > 0 and abs(s.beat_at - rate) > ALIKE:
            s.beat_at = rate
        own = math.sqrt(clearness(s, 0) + clearness(s, 1))
        least = max(NEVER_TAUT * usual, LEAST_OWN) * (STILL_NOT if s.others_clear > 0.0 else 1.0)
        s.others_clear = usual if s.norm_n >= TRUSTED_S and own < least else 0.0


@compiled
def note_onset(c: Any, s: Any, whole: Any, row: Any) -> None:
    """Keep what was so when an opening was found."""
    c.deficit, c.on = whole.deficit, row.from_bin
    c.flow = max(0.0, s.flow_slow + FLOW_LEAD * min(0.0, s.flow_slow - s.flow_slower))
    c.share = s.flow_slow / s.peak_flow if s.flow_bin >= 0 and s.peak_flow > 0.0 else math.nan
    c.dryness = dryness(s, row.from_bin)
    past = c.flows[FLOW_SLOTS - 7]
    c.fell = 1.0 - s.flow_slow / past if past > 0.0 else 0.0
    c.moved = c.unrest if row.from_bin - c.unrest_bin <= BEFORE else 0.0


@compiled
def write_note(w: Witness, s: Any, row: Any, note: Any) -> None:
    """Write beside a closed event what was kept at its onset, and the exposures until now."""
    c, whole = w.scenes[row.stall], w.whole[0]
    note.deficit_kpa, note.lowness = c.deficit, lowness(c.deficit)
    note.flow_kg_min = c.flow
    note.flow_share, note.dryness, note.flow_fell = c.share, c.dryness, c.fell
    note.unrest, note.arm_known = c.moved, 1 if c.rest_n >= 10.0 else 0
    note.loose_state = s.astray if s.astray > 0 and s.astray_bin <= row.from_bin else 0
    note.loose_s = (row.from_bin - s.astray_bin) * BIN_S if note.loose_state > 0 else 0.0
    if note.loose_state == 0 and s.others_clear > 0.0:
        note.loose_state, note.loose_s = SLACK, (row.from_bin - s.on_bin) * BIN_S
    note.stall_s, note.all_s = c.time_s, whole.time_s
    for k in range(4):
        note.all_strength_s[k] = whole.strength_s[k]
    c.on = -1


@compiled
def witness(stalls: Any, w: Witness, now: Now, first_row: int) -> None:
    """Take one bin after the stalls were worked: the exposures, and the openings found or closed in it."""
    if now.bin % SECOND == 0:
        count_second(stalls, w, now.bin)
    if now.bin % (60 * SECOND) == 0:
        compare_arms(stalls)
    take_notes(stalls, w, now, first_row)


@compiled
def take_notes(stalls: Any, w: Witness, now: Now, first_row: int) -> None:
    """Note what was so when an opening was found, and write it beside one that was closed."""
    for k in range(first_row, now.used[0]):
        row = now.rows[k]
        if row.what == FOUND:
            note_onset(w.scenes[row.stall], stalls[row.stall], w.whole[0], row)
        elif row.what == CLOSED:
            write_note(w, stalls[row.stall], row, w.notes[k])
