"""What is noted of the circumstances when an opening is found and when it is told, and their sums."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from detect.arm_state import DRAG, SLACK
from detect.cause import UNREST
from detect.scene import (
    AFTER,
    ARM_S,
    BEFORE,
    CLOSED,
    FEWEST,
    FLOW_LEAD,
    FLOW_SLOTS,
    FOUND,
    LEAST_OWN,
    NEVER_TAUT,
    NOTE_DTYPE,
    SECOND,
    SOUND_KPA,
    STILL_NOT,
    Witness,
    compare_arms,
    count_second,
    lowness,
    new_scenes,
    note_onset,
    take_notes,
    witness,
    write_note,
)
from detect.state import HAPPENING_DTYPE, Happening, new_stalls
from detect.swing import ALIKE, clearness
from tests.detect.by_hand import moment, record, scene, stall

AT = 100_000


def row(**fields: Any) -> Any:
    """Return a happening of the first stall."""
    return record(HAPPENING_DTYPE, **fields)


def test_what_was_so_at_the_onset_is_kept() -> None:
    """Deficit, the flow ahead of its followers, its share of the peak and what it lost in 30 s."""
    s = stall(flow_bin=9, flow_slow=2.0, flow_slower=2.4, peak_flow=4.0, first_bin=0)
    c = scene(unrest=8.0, unrest_bin=AT - BEFORE)
    c["flows"][FLOW_SLOTS - 7] = 2.5
    whole = new_scenes(1)[1].view(np.recarray)[0]
    whole["deficit"] = 2.5
    note_onset(c, s, whole, row(from_bin=AT))
    assert (c["deficit"], c["on"], c["share"], c["moved"]) == (2.5, AT, 0.5, 8.0)
    assert c["flow"] == pytest.approx(2.0 - FLOW_LEAD * 0.4)
    assert c["fell"] == pytest.approx(0.2)
    assert 0.0 < c["dryness"] < 1.0


def test_a_rising_flow_is_not_led_and_what_is_unknown_stays_so() -> None:
    """A flow is never under none; no meter has no share; no past has lost nothing; an old jerk is none."""
    whole, c = new_scenes(1)[1].view(np.recarray)[0], scene(unrest=8.0, unrest_bin=AT - BEFORE - 1)
    s = stall(flow_bin=9, flow_slow=2.0, flow_slower=1.0, peak_flow=4.0, first_bin=0)
    note_onset(c, s, whole, row(from_bin=AT))
    assert (c["flow"], c["moved"], c["fell"]) == (2.0, 0.0, 0.0)
    s["flow_slow"], s["flow_slower"], s["flow_bin"] = 0.2, 3.0, -1
    note_onset(c, s, whole, row(from_bin=AT))
    assert c["flow"] == 0.0
    assert math.isnan(c["share"])


def test_a_poor_milker_has_shares_too() -> None:
    """A peak, and a flow of half a minute ago, of less than a kg/min."""
    s = stall(flow_bin=9, flow_slow=0.2, flow_slower=0.2, peak_flow=0.8, first_bin=0)
    c, whole = scene(unrest_bin=-1), new_scenes(1)[1].view(np.recarray)[0]
    c["flows"][FLOW_SLOTS - 7] = 0.4
    note_onset(c, s, whole, row(from_bin=AT))
    assert (c["share"], c["fell"]) == (pytest.approx(0.25), pytest.approx(0.5))
    assert c["dryness"] > 0.9


def noted(s: Any, c: dict[str, float]) -> Any:
    """Return the note beside an event that began at AT."""
    scenes, whole = (part.view(np.recarray) for part in new_scenes(1))
    for name, value in c.items():
        scenes[0][name] = value
    whole[0]["time_s"], whole[0]["strength_s"] = 900.0, [1.0, 2.0, 3.0, 4.0]
    scenes[0]["on"] = AT
    w = Witness(scenes, whole, np.zeros(1, NOTE_DTYPE).view(np.recarray))
    write_note(w, s, row(from_bin=AT, stall=0), w.notes[0])
    assert scenes[0]["on"] == -1
    return w.notes[0]


def test_the_note_holds_the_onset_and_the_exposures() -> None:
    """Each figure has its place; an arm is known after ten seconds of rest."""
    kept = {
        "deficit": 3.0,
        "flow": 2.0,
        "share": 0.5,
        "dryness": 0.3,
        "fell": 0.2,
        "moved": 7.0,
        "time_s": 80.0,
    }
    note = noted(stall(), kept | {"rest_n": 10.0})
    assert (note["deficit_kpa"], note["lowness"]) == (3.0, pytest.approx(lowness(3.0)))
    assert (note["flow_kg_min"], note["flow_share"], note["dryness"], note["flow_fell"]) == (
        2.0,
        0.5,
        0.3,
        0.2,
    )
    assert (note["unrest"], note["arm_known"], note["stall_s"], note["all_s"]) == (7.0, 1, 80.0, 900.0)
    assert note["all_strength_s"].tolist() == [1.0, 2.0, 3.0, 4.0]
    assert noted(stall(), {"rest_n": 9.9})["arm_known"] == 0


@pytest.mark.parametrize(
    ("fields", "state", "loose_s"),
    [
        ({"astray": DRAG, "astray_bin": AT - 100}, DRAG, 5.0),
        ({"astray": SLACK, "astray_bin": AT - 100}, SLACK, 5.0),
        ({"astray": SLACK, "astray_bin": AT}, SLACK, 0.0),
        ({"astray": SLACK, "astray_bin": AT + 1}, 0, 0.0),
        ({"astray": 0, "astray_bin": AT - 100}, 0, 0.0),
        ({"others_clear": 3.0, "on_bin": AT - 400}, SLACK, 20.0),
        ({"others_clear": 0.5, "on_bin": AT - 400}, SLACK, 20.0),
        ({"others_clear": 3.0, "on_bin": AT - 400, "astray": DRAG, "astray_bin": AT - 100}, DRAG, 5.0),
    ],
)
def test_for_how_long_the_unit_was_not_carried(fields: dict[str, float], state: int, loose_s: float) -> None:
    """Since its stretch began, or since the attaching where the arm never carries."""
    note = noted(stall(**fields), {})
    assert (note["loose_state"], note["loose_s"]) == (state, pytest.approx(loose_s))


def parlor(count: int, **fields: Any) -> tuple[Any, Witness]:
    """Return units in milking and what is witnessed of them."""
    stalls = new_stalls(count).view(np.recarray)
    scenes, whole = (part.view(np.recarray) for part in new_scenes(count))
    known = {"attached": 1, "settled": 1, "kpa": 42.0, "flow_bin": 0, "flow_slow": 3.0, "peak_flow": 4.0}
    for name, value in (known | fields).items():
        stalls[name] = value
    return stalls, Witness(scenes, whole, np.zeros(64, NOTE_DTYPE).view(np.recarray))


def test_each_circumstance_is_summed_while_it_is_there() -> None:
    """Not carried, dry, a low plant and a restless arm count seconds; the last for three of them."""
    stalls, w = parlor(1)
    whole, c = w.whole[0], w.scenes[0]
    whole["heard_bin"], whole["deficit"] = AT, 3.0
    c["unrest"], c["unrest_bin"] = UNREST + 0.1, AT - BEFORE - AFTER
    stalls["others_clear"] = 2.0
    count_second(stalls, w, AT)
    assert whole["strength_s"].tolist() == pytest.approx([1.0, 0.0, lowness(3.0), 1.0])
    c["unrest_bin"] -= 1
    stalls["others_clear"], stalls["flow_slow"], whole["deficit"] = 0.0, 0.1, SOUND_KPA
    count_second(stalls, w, AT)
    assert whole["strength_s"].tolist() == pytest.approx([1.0, 1.0, lowness(3.0), 1.0])
    c["unrest"], c["unrest_bin"] = UNREST - 0.1, AT
    stalls["missing"] = 1
    count_second(stalls, w, AT)
    assert (whole["time_s"], c["time_s"], whole["strength_s"][3]) == (2.0, 2.0, 1.0)


def test_the_flow_of_the_last_forty_seconds_is_kept() -> None:
    """One value each five seconds, the newest last; an empty stall has none."""
    stalls, w = parlor(2)
    stalls["attached"][1] = 0
    for k in range(60):
        stalls["flow_slow"] = 0.1 * k
        count_second(stalls, w, AT + k * SECOND)
    assert w.scenes["flows"][0].tolist() == pytest.approx([0.5 * k for k in range(4, 12)])
    assert np.isnan(w.scenes["flows"][1]).all()


def test_the_claw_s_level_is_a_mean_of_two_seconds() -> None:
    """While the unit is being put on it is what the sensor says."""
    stalls, w = parlor(1, settled=0)
    count_second(stalls, w, AT)
    assert w.scenes["claw"][0] == 42.0
    stalls["settled"], stalls["kpa"] = 1, 40.0
    count_second(stalls, w, AT)
    assert w.scenes["claw"][0] == 41.0


def lacking(count: int, **whole: float) -> float:
    """Return the deficit after a minute in which so many claws fell 3 kPa under their own levels."""
    stalls, w = parlor(count)
    for name, value in whole.items():
        w.whole[0][name] = value
    for k in range(200):
        stalls["kpa"] = 42.0 if k < 120 else 39.0
        count_second(stalls, w, AT + k * SECOND)
    return float(w.whole[0]["deficit"])


def test_claws_stand_in_for_a_plant_sensor_that_is_silent() -> None:
    """Four of them, and none while the sensor spoke within ten seconds."""
    assert lacking(FEWEST) > 1.5
    assert lacking(FEWEST - 1) == 0.0
    assert lacking(FEWEST, heard_bin=AT + 190 * SECOND) == 0.0
    assert lacking(FEWEST, heard_bin=AT + 188 * SECOND) > 0.0


def arms(count: int, **fields: Any) -> Any:
    """Return stalls whose arms beat alike."""
    stalls = new_stalls(count).view(np.recarray)
    stalls["norm_n"], stalls["swing_noise"], stalls["norm_swing"], stalls["beat_at"] = 600.0, 0.001, 0.06, 15
    for name, values in fields.items():
        stalls[name][: len(values)] = values
    compare_arms(stalls)
    return stalls


def test_all_stalls_know_the_rate_of_most() -> None:
    """One that found another is set to it, one within two steps keeps its own; four arms are needed."""
    stalls = arms(6, beat_at=[15, 15 + ALIKE, 15 - ALIKE, 15 + ALIKE + 1, 15 - ALIKE - 1, 15])
    assert stalls["others_at"].tolist() == [15] * 6
    assert stalls["beat_at"].tolist() == [15, 15 + ALIKE, 15 - ALIKE, 15, 15, 15]
    few = arms(FEWEST, norm_n=[ARM_S - 1.0])
    assert few["others_at"].tolist() == [0] * FEWEST
    assert arms(FEWEST, norm_n=[ARM_S])["others_at"].tolist() == [15] * FEWEST


@pytest.mark.parametrize(("factor", "never"), [(0.95, True), (1.1, False)])
def test_an_arm_far_less_clear_than_the_others_was_never_taut(factor: float, never: bool) -> None:
    """Under a sixth of what is usual it is told what the others show."""
    stalls = arms(6, norm_swing=[[0.06 * NEVER_TAUT * factor] * 2])
    usual = math.sqrt(clearness(stalls[1], 0) + clearness(stalls[1], 1))
    assert stalls["others_clear"].tolist() == [
        pytest.approx(usual) if never else 0.0,
        0.0,
        0.0,
        0.0,
        0.0,
        0.0,
    ]


@pytest.mark.parametrize(("clear", "never"), [(0.95 * LEAST_OWN, True), (1.05 * LEAST_OWN, False)])
def test_where_all_beats_are_faint_one_that_may_be_noise_was_never_taut(clear: float, never: bool) -> None:
    """A third of the noise of a sample is no beat of one's own, however weak those of the others are."""
    noise = 1.25 * 0.1
    own = noise * math.sqrt(0.5) * clear / math.sqrt(1.0 + 0.25 * clear**2)  # beat over what is left of noise
    stalls = arms(6, swing_noise=[[0.1] * 2] * 6, norm_swing=[[own] * 2] + [[0.07] * 2] * 5)
    assert math.sqrt(2.0 * clearness(stalls[0], 0)) == pytest.approx(clear)
    assert NEVER_TAUT * math.sqrt(2.0 * clearness(stalls[1], 0)) < 0.5 * LEAST_OWN
    assert (stalls["others_clear"] > 0.0).tolist() == [never, False, False, False, False, False]


@pytest.mark.parametrize(
    ("factor", "never"), [(1.1, True), (0.95 * STILL_NOT, True), (1.05 * STILL_NOT, False)]
)
def test_an_arm_that_was_never_taut_stays_so_until_it_stands_out(factor: float, never: bool) -> None:
    """Else noise would make it known at one moment and unknown at the next."""
    stalls = arms(6, norm_swing=[[0.06 * NEVER_TAUT * factor] * 2], others_clear=[2.0])
    assert (stalls["others_clear"] > 0.0).tolist() == [never, False, False, False, False, False]


def test_notes_are_taken_of_openings_found_and_closed() -> None:
    """A found one keeps its onset at its stall, a closed one is written beside its row; others are passed."""
    stalls, w = parlor(3, astray=SLACK, astray_bin=AT - 200)
    w.whole[0]["deficit"] = 1.5
    now = moment(AT)
    for k, (what, at) in enumerate([(Happening.ATTACHED, 0), (FOUND, 1), (CLOSED, 2)]):
        now.rows[k]["what"], now.rows[k]["stall"], now.rows[k]["from_bin"] = what, at, AT - 5
    now.used[0] = 3
    w.scenes[2]["deficit"] = 4.0
    take_notes(stalls, w, now, 0)
    assert w.scenes["on"].tolist() == [-1, AT - 5, -1]
    assert w.scenes["deficit"].tolist() == [0.0, 1.5, 4.0]
    assert w.notes["deficit_kpa"][:3].tolist() == [0.0, 0.0, 4.0]
    assert w.notes["loose_state"][:3].tolist() == [0, 0, SLACK]


@pytest.mark.parametrize(("b", "seconds", "compared"), [(1_201, 0, 0), (1_220, 1, 0), (2_400, 1, 15)])
def test_exposures_are_summed_each_second_and_arms_compared_each_minute(
    b: int, seconds: int, compared: int
) -> None:
    """Counted from 1970, so that no framing moves them."""
    stalls, w = parlor(5)
    stalls["norm_n"], stalls["swing_noise"], stalls["norm_swing"], stalls["beat_at"] = 600.0, 0.01, 0.06, 15
    witness(stalls, w, moment(b), 0)
    assert (w.whole[0]["time_s"], stalls["others_at"][0]) == (5.0 * seconds, compared)
