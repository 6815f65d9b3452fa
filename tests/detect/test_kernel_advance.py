"""All stalls over a few bins: what reaches which part, and when the plant's own sensor is believed."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from detect.hear import LAG, LEAD, OPEN, SPAN
from detect.kernel import PLANT_TRUST, SHARED_NOISE_KPA, advance
from detect.params import BIN_S
from detect.scene import NOTE_DTYPE, Witness, new_scenes
from detect.state import HAPPENING_DTYPE, MILKED, ORDER, PLANT_DTYPE, TRACE, Bins, Happening, new_stalls
from tests.detect.by_hand import NUM, QUIET_KPA

AT = 10_111


class Row:
    """Five stalls and their plant, advanced by grids of bins."""

    def __init__(self, **fields: Any) -> None:
        self.stalls = new_stalls(5).view(np.recarray)
        for name, value in fields.items():
            self.stalls[name] = value
        self.plant = np.zeros(1, PLANT_DTYPE).view(np.recarray)
        scenes, whole = (part.view(np.recarray) for part in new_scenes(5))
        self.rows = np.zeros(64, HAPPENING_DTYPE).view(np.recarray)
        self.witness = Witness(scenes, whole, np.zeros(64, NOTE_DTYPE).view(np.recarray))
        self.bin = AT

    def live(self, bins: int, *, plant: float = np.nan, tubes: int = 0, **grids: float) -> int:
        """Advance by some bins in which every stall reads the same; return the number of happenings."""
        n = (bins, len(self.stalls))
        planes = [np.full(n, grids.get(name, np.nan)) for name in ("kpa", "flow", "angle", "cord")]
        tube = np.full((*n, tubes), grids.get("tube", np.nan))
        grid = Bins(self.bin, planes[0], np.full(bins, plant), *planes[1:], tube)
        self.bin += bins
        return int(advance(self.stalls, self.plant, grid, (self.rows, self.witness), NUM))


def hanging() -> Row:
    """Return five quiet units in milking whose baselines are known."""
    row = Row(
        attached=1, settled=1, seen=LAG + SPAN, level=QUIET_KPA, level_sum=QUIET_KPA * SPAN, on_bin=AT - 900
    )
    row.stalls["air_seen"], row.stalls["high_bin"], row.stalls["trace_n"] = 5, AT - 1, 1
    row.stalls["trace_level"] = row.stalls["usual"] = QUIET_KPA
    return row


def test_each_stall_takes_its_own_readings() -> None:
    """Vacuum, flow, arm and tubes reach every stall once a bin; what is missing reaches none."""
    row = Row()
    row.live(8, kpa=0.3, flow=1.5, angle=30.0, cord=200.0, tubes=4, tube=0.1)
    assert row.stalls["kpa"].tolist() == [0.3] * 5
    assert row.stalls["flow"].tolist() == [1.5] * 5
    assert row.stalls["trail_n"].tolist() == [8] * 5
    assert row.witness.scenes["arm_n"].tolist() == [8] * 5
    last = (AT + 7) % 64 * 4
    assert row.stalls["tubes"]["rest"][:, last].tolist() == pytest.approx([0.2] * 5)
    row.live(3)
    assert row.stalls["missing"].tolist() == [3] * 5
    assert row.stalls["trail_n"].tolist() == [8] * 5
    assert row.stalls["last_arm"].tolist() == [AT + 7] * 5


def test_happenings_are_counted_from_the_first_of_each_call() -> None:
    """Five units put on are five rows, whatever a call before had written."""
    row = Row(seen_off=1)
    assert row.live(NUM.on_bins - 1, kpa=QUIET_KPA) == 0
    assert row.live(1, kpa=QUIET_KPA) == 5
    assert row.rows["what"][:5].tolist() == [Happening.ATTACHED] * 5
    assert row.rows["stall"][:5].tolist() == [0, 1, 2, 3, 4]
    assert row.live(1, kpa=QUIET_KPA) == 0


def test_without_a_plant_sensor_the_stalls_share_what_most_of_them_do() -> None:
    """Five units two kPa down are the plant's doing; with its own sensor they are not."""
    row = hanging()
    row.live(1, kpa=QUIET_KPA - 2.0)
    assert row.plant["sensed"][0] == 0.0
    assert row.plant["common"][0] == pytest.approx(-2.0 + SHARED_NOISE_KPA, abs=0.01)
    assert row.plant["common_mean"][0] == pytest.approx(row.plant["common"][0] * BIN_S / 3.0)
    heard = hanging()
    heard.live(2, kpa=QUIET_KPA - 2.0, plant=44.0)
    assert heard.plant["common"][0] == pytest.approx(0.0, abs=0.05)
    assert heard.witness.whole["level"][0] == 44.0


def test_a_plant_sensor_is_believed_for_a_second_after_it_fell_silent() -> None:
    """Then the stalls tell again."""
    for silent, shares in ((PLANT_TRUST, False), (PLANT_TRUST + 1, True)):
        row = hanging()
        row.live(2, kpa=QUIET_KPA, plant=44.0)
        row.live(silent - 1, kpa=QUIET_KPA)
        row.live(1, kpa=QUIET_KPA - 2.0)
        assert bool(row.plant["common"][0] < -1.0) is shares


def test_a_dip_that_the_plant_shows_is_told_and_noted() -> None:
    """Three kPa for half a second, felt by five units; the exposures count their seconds meanwhile."""
    row = hanging()
    row.live(20, kpa=QUIET_KPA, plant=44.0)
    row.live(10, kpa=QUIET_KPA - 3.0, plant=41.0)
    told = row.live(15, kpa=QUIET_KPA, plant=44.0)
    plants = [h for h in row.rows[:told] if h["what"] == Happening.PLANT_CLOSED]
    assert [(h["from_bin"], h["to_bin"], h["flag"]) for h in plants] == [(AT + 20, AT + 30, 5)]
    assert plants[0]["depth"] == pytest.approx(3.0, abs=0.1)
    assert row.witness.whole["time_s"][0] == 10.0


def test_every_bin_of_a_call_is_its_own() -> None:
    """The second one's vacuum lies in its own place, and the plant was heard in it."""
    row = hanging()
    row.live(2, kpa=QUIET_KPA, plant=44.0)
    assert row.stalls["raw"][:, [(AT + k) % 128 for k in range(2)]].tolist() == [[QUIET_KPA] * 2] * 5
    assert row.witness.whole["heard_bin"][0] == AT + 1


def test_the_common_signal_s_mean_follows_it_within_three_seconds() -> None:
    """Towards it by a sixtieth a bin, from wherever it stands."""
    row = hanging()
    row.plant["common_mean"] = -0.6
    row.live(1, kpa=QUIET_KPA, plant=44.0)
    assert row.plant["common"][0] == 0.0
    assert row.plant["common_mean"][0] == pytest.approx(-0.6 * (1.0 - BIN_S / 3.0))


def foreseen(**plant: float) -> Any:
    """Return five units of which the last bin's fall of a kPa was foreseen by none."""
    row = hanging()
    row.stalls["trace_n"] = ORDER + 1
    row.live(1, kpa=QUIET_KPA - 1.0, **plant)
    return row.stalls


def test_what_all_units_innovate_is_taken_off_where_no_sensor_tells_of_the_plant() -> None:
    """Nothing new is left of a fall that all share; a plant with a sensor did not do it."""
    news = foreseen()["news"]
    assert (news < -0.5).all()
    assert foreseen()["fresh"][:, (ORDER + 2) % TRACE].tolist() == [0.0] * 5
    assert foreseen(plant=44.0)["fresh"][:, (ORDER + 2) % TRACE].tolist() == pytest.approx(news.tolist())


@pytest.mark.parametrize(("mean", "opens"), [(0.0, True), (8.0, False), (-8.0, False)])
def test_a_plant_that_stirs_raises_the_bar(mean: float, opens: bool) -> None:
    """A fall of a unit that opens an event beside a calm plant opens none beside one far off its own mean."""
    row = hanging()
    row.stalls["trace_n"], row.stalls["air_seen"], row.stalls["taught"] = ORDER + 1, LEAD + 1, 10**6
    row.stalls["milked"], row.stalls["ev_last"] = MILKED, -1
    row.plant["common_mean"], row.plant["slow"], row.plant["seen"] = mean, 44.0, 1
    row.live(4, kpa=QUIET_KPA - 4.0, plant=44.0)
    assert (row.stalls["opening"] == OPEN).tolist() == [opens] * 5
