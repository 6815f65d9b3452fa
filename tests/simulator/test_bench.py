"""One unit alone on the bench: slips, their size in vacuum and in air, and the world without inertia."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest

from simulator.air import GAP_DISCHARGE, hole_area_mm2
from simulator.bench import Trace, run_unit
from simulator.claw import LOW_LINE, Surroundings, Tube, Unit, derivatives

DT_S = 0.001
TIMES_S = np.arange(0.0, 4.0, DT_S)


def _slip(milk_kg_min: float, gap_mm: float, tube: Tube = Tube.MILK_PLUG) -> Trace:
    area = GAP_DISCHARGE * hole_area_mm2(gap_mm)
    gaps = np.interp(TIMES_S, [1.0, 1.05, 2.0, 2.05], [0.0, area, area, 0.0])
    return run_unit(LOW_LINE, Surroundings(milk_kg_min=milk_kg_min, tube=tube), gaps, dt_s=DT_S)


def _peak_dip_kpa(trace: Trace) -> float:
    return float(trace.vacuum_kpa[900] - trace.vacuum_kpa.min())


@pytest.mark.parametrize(
    ("milk_kg_min", "gap_mm", "mean_l_min", "peak_kpa", "late_kpa", "admitted_l"),
    [
        (0.3, 1.5, 16.0, 3.5, 1.3, 0.279),
        (0.3, 2.5, 44.0, 9.6, 3.5, 0.765),
        (0.3, 4.0, 106.0, 22.1, 6.7, 1.86),
        (1.0, 2.5, 41.0, 17.1, 10.5, 0.726),
        (3.0, 1.5, 15.0, 11.5, 10.0, 0.266),
        (3.0, 2.5, 36.0, 25.9, 22.1, 0.629),
        (5.0, 1.5, 15.0, 14.5, 13.7, 0.255),
        (5.0, 4.0, 46.0, 38.3, 36.3, 0.810),
    ],
)
def test_a_one_second_slip_dips_and_admits_as_worked_out(
    milk_kg_min, gap_mm, mean_l_min, peak_kpa, late_kpa, admitted_l
):
    """Peak dip, late dip, mean air and admitted litres of a one-second opening match the worked table."""
    trace = _slip(milk_kg_min, gap_mm)
    open_now = (TIMES_S >= 1.0) & (TIMES_S < 2.05)
    late = (TIMES_S >= 1.9) & (TIMES_S < 2.0)
    assert trace.gap_air_l_min[open_now].mean() == pytest.approx(mean_l_min, rel=0.05)
    assert _peak_dip_kpa(trace) == pytest.approx(peak_kpa, rel=0.05)
    assert trace.vacuum_kpa[900] - trace.vacuum_kpa[late].mean() == pytest.approx(late_kpa, rel=0.05)
    assert trace.gap_air_l_min.sum() * DT_S / 60.0 == pytest.approx(admitted_l, rel=0.05)


def test_the_same_gap_dips_deeper_the_more_milk_flows():
    """Dip grows with flow at a fixed gap although the air admitted does not."""
    traces = [_slip(flow, 2.0) for flow in (0.3, 1.0, 2.0, 3.0, 5.0)]
    dips = [_peak_dip_kpa(trace) for trace in traces]
    assert all(later > earlier for earlier, later in itertools.pairwise(dips))
    litres = [trace.gap_air_l_min.sum() for trace in traces]
    assert max(litres) / min(litres) < 1.25


def test_vacuum_swings_above_its_rest_after_a_slip():
    """After a reseal in peak flow the hold-up makes the vacuum overshoot by 1 to 5 kPa."""
    trace = _slip(3.0, 2.5)
    assert 1.0 < trace.vacuum_kpa[2100:].max() - trace.vacuum_kpa[900] < 5.0


def test_a_closed_unit_falls_by_the_gas_law():
    """60 L/min of free air into a closed 0.45 L claw raise its pressure by 225.2 kPa/s."""
    unit = Unit(volume_l=0.45)
    inputs = Surroundings(milk_kg_min=0.0, leak_l_min=60.0).as_inputs(DT_S)
    rise, _, _ = derivatives((60.0, 0.0, 0.0), inputs, unit.as_row())
    assert rise == pytest.approx(225.2, rel=1e-3)


def test_without_inertia_a_slip_in_low_flow_is_shallower_and_does_not_ring():
    """In low flow the plug's inertia deepens the dip and makes the vacuum ring; else neither happens."""
    still, heavy = _slip(0.3, 2.5, Tube.QUASI_STEADY), _slip(0.3, 2.5)
    assert _peak_dip_kpa(still) < 0.85 * _peak_dip_kpa(heavy)
    assert heavy.vacuum_kpa[2050:].max() - heavy.vacuum_kpa[900] > 1.5
    assert still.vacuum_kpa[2050:].max() - still.vacuum_kpa[900] < 0.3


def test_halving_the_step_changes_nothing_that_matters():
    """The integration has converged: 2.5 ms and 1 ms agree within 0.3 kPa."""
    area = GAP_DISCHARGE * hole_area_mm2(2.5)
    peaks = []
    for dt_s in (0.001, 0.0025):
        times = np.arange(0.0, 3.0, dt_s)
        gaps = np.interp(times, [1.0, 1.05, 2.0, 2.05], [0.0, area, area, 0.0])
        peaks.append(run_unit(LOW_LINE, Surroundings(milk_kg_min=1.0), gaps, dt_s=dt_s).vacuum_kpa.min())
    assert peaks[0] == pytest.approx(peaks[1], abs=0.3)


def test_a_step_too_long_for_the_tube_is_refused():
    """Steps above 5 ms would be unstable."""
    with pytest.raises(ValueError, match="dt_s"):
        run_unit(LOW_LINE, Surroundings(), np.zeros(10), dt_s=0.01)


def test_a_wider_tube_holds_the_vacuum_better():
    """An 18 mm tube loses less vacuum in a slip than a 14 mm tube."""
    area = GAP_DISCHARGE * hole_area_mm2(2.0)
    gaps = np.interp(TIMES_S, [1.0, 1.05, 2.0, 2.05], [0.0, area, area, 0.0])
    dips = [
        _peak_dip_kpa(run_unit(replace(LOW_LINE, bore_mm=bore), Surroundings(), gaps, dt_s=DT_S))
        for bore in (14.0, 18.0)
    ]
    assert dips[1] < dips[0]
