"""From a stall's state to what is shown of now and to the row of its milking; what a detector refuses."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from detect.arm_state import EARLY
from detect.batch import VACUUM, ReadingBatch
from detect.errors import ParameterError
from detect.kinds import Channel, SupportState
from detect.params import BIN_NS
from detect.parlor import MOST_STALLS, ParlorDetector, Site
from detect.readings import CowAtStall, MilkFlow, PlantVacuum, StallVacuum
from detect.results import Milking, SupportEvent
from detect.trail import Trail
from detect.units import SEA_LEVEL_KPA, atmosphere_kpa
from tests.detect.silent import AT, FRAME, Silent

SUMS = {
    **{"yield_kg": 12.5, "two_minute_kg": 5.25, "peak_flow": 4.5, "peak_kpa": 41.5, "sec_count": 10},
    **{"milk_bin": AT - 701, "removal_kpa": 3.5, "astray_bins": 240, "on_bins": 7_200, "data_bins": 6_840},
}


def row_of(**fields: Any) -> Milking:
    """Return the row of a milking that is cut off, with these fields of its stall's state."""
    parlor = Silent()
    parlor.begin(**(SUMS | fields))
    (row,) = parlor.detector.flush()
    assert isinstance(row, Milking)
    return row


def test_the_sums_of_a_stall_are_the_figures_of_its_milking() -> None:
    """Each in its column, from the removal's bin and the last one with milk; cut off is not complete."""
    row = row_of()
    assert (row.yield_kg, row.two_minute_kg, row.peak_flow_kg_min) == (12.5, 5.25, 4.5)
    assert (row.mean_claw_kpa, row.vacuum_at_removal_kpa) == (41.5, 3.5)
    assert (row.unit_on_s, row.coverage_ratio, row.unsupported_s) == (360.0, 0.95, 12.0)
    assert row.low_flow_s == pytest.approx(5.0)
    assert (row.start_ns, row.end_ns) == ((AT - 7_800) * BIN_NS, (AT - 600) * BIN_NS)
    assert (row.slips, row.fall_offs, row.reattaches, row.complete) == (0, 0, 0, False)


def test_a_unit_that_is_still_on_is_cut_off_now() -> None:
    """Its milking ends with the record, and its low flow lasts until then."""
    row = row_of(attached=1, milk_bin=AT - 41)
    assert (row.end_ns, row.low_flow_s) == (AT * BIN_NS, pytest.approx(2.0))


def test_low_flow_is_counted_from_the_first_bin_where_no_milk_came() -> None:
    """And is never less than none, though a meter goes on for some seconds after the removal."""
    assert row_of(milk_bin=-1).low_flow_s == pytest.approx((7_200 - 1) * 0.05)
    assert row_of(milk_bin=AT - 590).low_flow_s == 0.0


def test_what_was_not_seen_has_no_figure() -> None:
    """No claw vacuum before ten seconds of milk, none at the removal where no arm was seen to pull."""
    assert row_of(sec_count=9).mean_claw_kpa is None
    assert row_of(removal_kpa=np.nan).vacuum_at_removal_kpa is None


def test_a_sensor_s_zero_is_taken_off_its_figures() -> None:
    """What it showed when parked open, within what may be corrected."""
    parlor = Silent()
    parlor.begin(**SUMS)
    norm = parlor.detector.state["norms"]
    norm["zero_n"], norm["zero_kpa"] = 1, 0.5
    (row,) = parlor.detector.flush()
    assert isinstance(row, Milking)
    assert (row.mean_claw_kpa, row.vacuum_at_removal_kpa) == (41.0, 3.0)


def test_a_stretch_that_still_lasts_is_told_with_the_end_of_the_record() -> None:
    """A unit that hangs slack as the record stops: until then, also when found in its very last bin."""
    parlor = Silent()
    parlor.begin(attached=1, astray=1, astray_bin=AT - 200, astray_found=AT - 1, astray_sum=2.0, astray_n=8)
    event, row = parlor.detector.flush()
    assert isinstance(event, SupportEvent)
    assert (event.state, event.support_share) == (SupportState.SLACK, 0.25)
    assert (event.start_ns, event.end_ns) == ((AT - 200) * BIN_NS, AT * BIN_NS)
    assert event.detected_ns == AT * BIN_NS
    assert isinstance(row, Milking)
    assert (row.unsupported_s, event.milking_id) == (10.0, row.milking_id)


LOOKED_BACK = {
    **{"early": EARLY, "early_from": AT - 9_000, "early_to": AT - 8_000, "early_told": [0, 1, 1, 1]},
    **{"first_dt_s": 0.2, "norm_n": 200.0, "swing_noise": 0.8, "norm_swing": 1.0},
}
"""A stall whose first attachment, long before the milking in hand, showed no beat."""


@pytest.mark.parametrize("stands", [True, False])
def test_hindsight_belongs_to_the_milking_that_it_is_about(stands: bool) -> None:
    """It is told under the first milking's name, and adds nothing to the one in hand, if there is one."""
    for name, told in (("willowmere-1-7", 1), ("", 0)):  # no name: the unit was washed then
        parlor = Silent()
        parlor.begin(**LOOKED_BACK)
        book = parlor.detector.books[0]
        book.early = [(AT - 9_500, "another"), (AT - 9_000, name), (AT - 8_999, "another")]
        if not stands:
            book.milking = None
            parlor.write(open=0)
        events = [one for one in parlor.live(12.0, kpa={1: 42.0}) if isinstance(one, SupportEvent)]
        assert [event.milking_id for event in events] == [name] * told
        assert all(event.start_ns == (AT - 9_000) * BIN_NS for event in events)
        assert parlor.detector.state["astray_bins"][0] == 0


def test_what_is_shown_of_a_stall_is_its_state() -> None:
    """Vacuum, flow, cow, milking and silence; what is not known is none."""
    parlor = Silent(2)
    parlor.begin(attached=1, kpa=41.5, flow=2.25)
    on, idle = parlor.detector.now()
    assert (on.stall, on.t_ns, on.vacuum_kpa, on.flow_kg_min) == (1, AT * BIN_NS, 41.5, 2.25)
    assert (on.attached, on.cow, on.silent_s) == (True, "17", 0.0)
    assert on.milking_id == f"willowmere-1-{(AT - 7_800) * 50}"
    assert (idle.stall, idle.vacuum_kpa, idle.flow_kg_min, idle.milking_id) == (2, None, None, None)
    assert (idle.attached, idle.unsupported_since_ns, idle.air_since_ns) == (False, None, None)
    parlor.write(missing=1)
    assert (parlor.detector.now()[0].vacuum_kpa, parlor.detector.now()[0].silent_s) == (None, 0.05)
    parlor.write(astray=2, astray_bin=AT - 60)
    assert parlor.detector.now()[0].unsupported_since_ns == (AT - 60) * BIN_NS


LEAKING = {"ev_on": AT - 30, "ev_l": 0.75, "low_run": 12, "hang_from": AT - 50}


@pytest.mark.parametrize(
    ("fields", "since", "litres", "low_s"),
    [
        ({"opening": 0}, None, 0.0, 0.0),
        ({"opening": 2}, None, 0.0, 0.0),
        ({"opening": 1}, AT - 30, 0.75, 0.6),
        ({"opening": 1, "ev_l": -0.1}, AT - 30, 0.0, 0.6),
        ({"hanging": 1}, AT - 30, 0.75, 2.5),
        ({"hanging": 2, "hang_from": AT + 1}, AT - 30, 0.75, 0.0),
    ],
    ids=str,
)
def test_air_is_shown_while_it_comes_in(
    fields: dict[str, float], since: int | None, litres: float, low_s: float
) -> None:
    """Open or fallen, with onset and litres; low since it went under half, or since it fell."""
    parlor = Silent()
    parlor.write(**(LEAKING | fields))
    (now,) = parlor.detector.now()
    assert now.air_since_ns == (None if since is None else since * BIN_NS)
    assert (now.air_l, now.low_s) == (litres, pytest.approx(low_s))


def test_a_dip_in_hand_is_shown_with_its_depth() -> None:
    """From its second bin as from its first; a plant above its mean is no dip."""
    parlor = Silent()
    plant = parlor.detector.plant
    plant["dip_run"], plant["dip_bin"], plant["common"] = 1, AT - 1, -2.5
    shown = parlor.detector.plant_now()
    assert (shown.t_ns, shown.dip_since_ns, shown.dip_kpa) == (AT * BIN_NS, (AT - 1) * BIN_NS, 2.5)
    plant["dip_run"], plant["common"] = 0, 0.5
    shown = parlor.detector.plant_now()
    assert (shown.dip_since_ns, shown.dip_kpa) == (None, 0.0)


def test_a_parlor_has_one_stall_or_up_to_five_hundred() -> None:
    """Less and more are refused."""
    for stalls in (0, MOST_STALLS + 1):
        with pytest.raises(ParameterError, match="outside"):
            ParlorDetector(parlor="willowmere", stalls=stalls)
    for stalls in (1, MOST_STALLS):
        assert len(ParlorDetector(parlor="willowmere", stalls=stalls).now()) == stalls
    assert MOST_STALLS == 500


def test_the_site_sets_the_atmosphere() -> None:
    """By its height; nobody says where, and it is the sea's."""
    high = ParlorDetector(parlor="willowmere", stalls=1, site=Site(altitude_m=900.0))
    assert high.params.claw.atmosphere_kpa == atmosphere_kpa(900.0) < 92.0
    plain = ParlorDetector(parlor="willowmere", stalls=1)
    assert plain.params.claw.atmosphere_kpa == pytest.approx(SEA_LEVEL_KPA)
    assert plain.params.digest in plain.label
    assert plain.label != high.label


def test_a_stall_that_does_not_exist_is_refused_with_its_whole_batch() -> None:
    """Nothing of it is taken."""
    parlor = Silent(2)
    strange = ReadingBatch.of([CowAtStall(1, AT * BIN_NS, "17"), MilkFlow(3, AT * BIN_NS, 1.0)])
    with pytest.raises(ParameterError, match="stall 3"):
        parlor.detector.feed_batch(strange)
    assert parlor.detector.timeline.cows == []


def test_a_batch_may_be_the_first_to_bring_short_milk_tubes() -> None:
    """Their vacuum is laid, and reaches the stall."""
    parlor = Silent(2)
    t_ns, tube = AT * BIN_NS, np.full(FRAME, 30.0)
    frames = [
        StallVacuum(2, t_ns, 20.0, tube, Channel.LEFT_REAR),
        PlantVacuum(t_ns, 20.0, np.full(FRAME, 44.0)),
        StallVacuum(2, t_ns, 20.0, tube + 10.0),
    ]
    grid = parlor.detector.timeline.grid
    grid.waited[:] = False
    grid.waited[VACUUM, 1], grid.covered[VACUUM, 1] = True, t_ns
    parlor.detector.feed_batch(ReadingBatch.of(frames))
    rests = parlor.detector.state["tubes"]["rest"].reshape(2, -1, 4)[:, (AT + FRAME - 1) % 64]
    assert rests[1, 2] == pytest.approx(10.0)
    assert np.isnan(rests[0]).all()


def test_late_samples_are_counted_where_all_can_see() -> None:
    """A frame of before the first open bin."""
    parlor = Silent()
    parlor.live(0.7)
    parlor.detector.feed(PlantVacuum((AT - FRAME) * BIN_NS, 20.0, np.full(FRAME, 44.0)))
    assert parlor.detector.counters == {"late_samples": 1, "ahead_readings": 0, "clock_shifts": 0}


def test_a_trail_is_given_every_bin_and_changes_nothing() -> None:
    """With it the stretches are worked bin by bin: the state is the same to the last bit."""
    plain, traced = Silent(2), Silent(2)
    traced.detector.trail = Trail(2)
    for parlor in (plain, traced):
        parlor.begin()
        parlor.live(12.0, kpa={1: 42.0, 2: 0.3})
    assert traced.detector.checkpoint() == plain.detector.checkpoint()
    assert traced.detector.trail.end_bin == traced.bin
    cut = traced.detector.trail.cut(1, 0, traced.bin)
    assert (cut.first_bin, cut.traces[0].tolist()) == (AT, [42.0] * 240)
