"""The truth tables: how an admission of air is measured and written."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from simulator.arm import SupportState
from simulator.slips import Cause, EventKind, Opening
from simulator.truth import AirSpan, Onset, Phase, Truth

STEPS = 400


def _span(*openings: Opening, kind: EventKind = EventKind.LINER_SLIP) -> AirSpan:
    return AirSpan(kind, Cause.COW, list(openings), Onset(1.5, Phase.DECLINE, 2, "cow0007"))


def _measure(span: AirSpan, start_s: float, vacuum_kpa: np.ndarray, gap_l_min: np.ndarray) -> None:
    span.measure(vacuum_kpa, gap_l_min, start_s + np.arange(STEPS) / STEPS)


def _boxes(times_s: np.ndarray, *spans: tuple[float, float]) -> np.ndarray:
    return np.any([(times_s >= a) & (times_s < b) for a, b in spans], axis=0).astype(float)


def test_air_depth_and_peak_are_measured_over_the_opening():
    """0.5 s at 60 L/min are half a litre; depth is the fall below the mean of the second before."""
    times = 10.0 + np.arange(STEPS) / STEPS
    gap = 60.0 * _boxes(times, (10.25, 10.75))
    vacuum = np.concatenate([np.full(STEPS, 42.0), 42.0 - 9.0 * (gap > 0.0)])
    span = _span(Opening(10.25, 10.75, 5.0))
    _measure(span, 10.0, vacuum, gap)
    assert span.air_l == pytest.approx(0.5, rel=0.01)
    assert span.peak_air_l_min == 60.0
    assert span.base_kpa == pytest.approx(42.0)
    assert span.base_kpa - span.lowest_kpa == pytest.approx(9.0)


def test_an_opening_across_seconds_adds_up():
    """A gap that stays open over three seconds is counted in each of them."""
    span = _span(Opening(10.5, 12.5, 5.0))
    for second in (9.0, 10.0, 11.0, 12.0, 13.0):
        gap = 30.0 * _boxes(second + np.arange(STEPS) / STEPS, (10.5, 12.5))
        _measure(span, second, np.full(2 * STEPS, 40.0), gap)
    assert span.air_l == pytest.approx(1.0, rel=0.01)


def test_air_outside_the_span_is_not_its_own():
    """Air of attaching before or after the span does not count."""
    span = _span(Opening(10.2, 10.4, 5.0))
    _measure(span, 10.0, np.full(2 * STEPS, 40.0), np.full(STEPS, 60.0))
    assert span.air_l == pytest.approx(0.2, rel=0.03)


def test_a_slip_waits_five_seconds_for_squawks():
    """A slip is settled 5 s after its last reseal, a fall-off at once."""
    slip, fall = _span(Opening(1.0, 2.0, 5.0)), _span(Opening(1.0, 2.0, 80.0), kind=EventKind.FALL_OFF)
    assert not slip.is_settled(6.9)
    assert slip.is_settled(7.0)
    assert fall.is_settled(2.0)


def test_a_span_that_is_cut_ends_there_and_loses_later_openings():
    """Taking the unit off ends the train; squawks that would have followed never happen."""
    span = _span(Opening(1.0, 2.0, 5.0), Opening(3.0, 4.0, 5.0))
    span.cut(1.5)
    assert span.end_s == 1.5
    assert len(span.openings) == 1


@pytest.mark.parametrize(("vacuum_kpa", "void"), [(9.0, True), (11.0, False)])
def test_pulling_an_empty_unit_off_is_no_event(vacuum_kpa, void):
    """A removal counts only when more than 10 kPa are left in the claw."""
    span = _span(Opening(10.5, 11.5, 80.0), kind=EventKind.VACUUM_REMOVAL)
    span.least_kpa = 10.0
    _measure(span, 10.0, np.full(2 * STEPS, vacuum_kpa), np.zeros(STEPS))
    assert span.void is void


def test_tables_are_written_with_the_columns_and_types_agreed(tmp_path):
    """Each file has its columns; instants are microseconds in UTC; an empty table is a file too."""
    truth = Truth("willowmere", 1_930_278_600_000_000_000)
    span = _span(Opening(1.0, 2.0, 5.0), Opening(2.5, 3.25, 5.0))
    truth.add_event(span, 4)
    truth.add_milking(4, "cow0007", (0.5, 300.0), (12.5, (1, 0, 0)))
    truth.add_support(4, (10.0, 20.0), SupportState.DRAG, 0.4)
    truth.add_condition(4, (0.0, 60.0), "steady_leak", 1.5)
    truth.write(tmp_path / "out")
    events = pl.read_parquet(tmp_path / "out" / "truth_events.parquet")
    row = events.row(0, named=True)
    assert row["start_at"].isoformat() == "2031-03-03T04:30:01"
    assert (row["end_at"] - row["start_at"]).total_seconds() == 2.25
    assert (row["kind"], row["cause"], row["phase"]) == ("liner_slip", "cow", "decline")
    assert (row["quarter"], row["pulses"], row["cow"]) == ("lr", 2, "cow0007")
    milkings = pl.read_parquet(tmp_path / "out" / "truth_milkings.parquet")
    assert milkings.schema["start_at"] == pl.Datetime("us")
    assert milkings.select("yield_kg", "slips", "fall_offs", "reattaches").row(0) == (12.5, 1, 0, 0)
    support = pl.read_parquet(tmp_path / "out" / "truth_support.parquet")
    assert support.select("state", "support_share").row(0) == ("drag", 0.4)
    conditions = pl.read_parquet(tmp_path / "out" / "truth_conditions.parquet")
    assert conditions.select("stall", "condition", "size").row(0) == (4, "steady_leak", 1.5)
    plant = pl.read_parquet(tmp_path / "out" / "truth_plant.parquet")
    assert plant.height == 0
    assert {"start_at", "end_at", "depth_kpa"} <= set(plant.columns)
