"""The claw model against worked values, a published drop, and the simulator's own physics."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.optimize import brentq

from detect.air import free_air_l_min
from detect.claw import (
    MILK_KG_M3,
    ClawConstants,
    ClawModel,
    admitted_air_l_min,
    quiet_tube,
    steady_vacuum_kpa,
    tube_mass_kg,
    tube_step,
)
from detect.errors import ParameterError
from detect.units import SEA_LEVEL_KPA
from simulator.bench import Trace, run_unit
from simulator.claw import HIGH_LINE, LOW_LINE, Surroundings, Unit

EQUATION = "computed from the equation by hand-independent code: "
LOW = ClawModel()
MID = ClawModel(lift_m=0.5)
HIGH = ClawModel(lift_m=1.8, length_m=3.0)
LINE_KPA = 44.0
FLOWS_KG_MIN = (0.3, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0)
STEP_S = 0.0025
Floats = NDArray[np.float64]


@pytest.mark.source(EQUATION + "steady claw vacuum of low, mid and high line at 44 kPa")
@pytest.mark.parametrize(
    ("claw", "printed_kpa"),
    [
        (LOW, (43.90, 43.60, 43.03, 42.30, 41.44, 40.44, 39.33)),
        (MID, (43.47, 42.24, 40.45, 38.62, 36.74, 34.82, 32.85)),
        (HIGH, (42.97, 40.58, 37.18, 33.79, 30.41, 27.06, 23.72)),
    ],
    ids=["low", "mid", "high"],
)
def test_a_quiet_unit_settles_at_the_worked_vacuum(claw: ClawModel, printed_kpa: tuple[float, ...]) -> None:
    """The steady vacuum of three lines agrees with the worked table from 0.3 to 6 kg/min."""
    ours = [steady_vacuum_kpa(claw, flow, LINE_KPA) for flow in FLOWS_KG_MIN]
    assert ours == pytest.approx(printed_kpa, abs=0.05)


@pytest.mark.source("Ambord & Bruckmaier, J Dairy Sci 93:3588 (2010): drop 15 +- 0.7 kPa at 4.29 kg/min")
def test_a_high_line_drops_as_measured() -> None:
    """At 4.29 kg/min a high line drops within the measured 15 +- 0.7 kPa (14.56 by the equation)."""
    drop_kpa = LINE_KPA - steady_vacuum_kpa(HIGH, 4.29, LINE_KPA)
    assert drop_kpa == pytest.approx(15.0, abs=0.7)
    assert drop_kpa == pytest.approx(14.56, abs=0.05)


@pytest.mark.parametrize("claw", [LOW, MID, HIGH], ids=["low", "mid", "high"])
def test_more_milk_means_less_vacuum(claw: ClawModel) -> None:
    """The claw vacuum falls with every step of the milk flow."""
    ours = [steady_vacuum_kpa(claw, flow, LINE_KPA) for flow in FLOWS_KG_MIN]
    assert ours == sorted(ours, reverse=True)


def rates(state: Floats, flow_kg_s: float, claw: ClawConstants) -> Floats:
    """Return d/dt of pressure, speed and liquid, the last two by a tiny step of the detector's tube."""
    p, u, m = state
    tiny = 1e-7
    line_pa = claw.atmosphere_pa - LINE_KPA * 1e3
    speed, liquid = tube_step(u, m, p - line_pa, p, flow_kg_s, tiny, claw)
    out = p / claw.atmosphere_pa * (u * claw.area_m2 - flow_kg_s / MILK_KG_M3)
    pressure = claw.atmosphere_pa / claw.volume_m3 * (claw.vent_m3_s - out)
    return np.array([pressure, (speed - u) / tiny, (liquid - m) / tiny])


@pytest.mark.source(EQUATION + "eigenvalues of the linearised low-line unit: -4.0 +- 20.3j at 0.3 kg/min")
@pytest.mark.parametrize(("flow_kg_min", "damping", "ringing"), [(0.3, -4.0, 20.3), (1.0, -4.1, 11.0)])
def test_a_unit_rings_at_its_worked_frequency(flow_kg_min: float, damping: float, ringing: float) -> None:
    """Claw gas and milk plug ring at 20.3 rad/s in low flow, damped by 4.0 a second."""
    claw, flow_kg_s = LOW.constants(), flow_kg_min / 60.0
    claw_pa = (SEA_LEVEL_KPA - steady_vacuum_kpa(LOW, flow_kg_min, LINE_KPA)) * 1e3
    speed, liquid, _ = quiet_tube(claw_pa, flow_kg_s, claw)
    rest = np.array([claw_pa, speed, liquid])
    jacobian = np.empty((3, 3))
    for k in range(3):
        nudge = np.zeros(3)
        nudge[k] = 1e-4 * rest[k]
        more, less = rates(rest + nudge, flow_kg_s, claw), rates(rest - nudge, flow_kg_s, claw)
        jacobian[:, k] = (more - less) / (2.0 * nudge[k])
    fastest = max(np.linalg.eigvals(jacobian), key=lambda value: value.imag)
    assert fastest.imag == pytest.approx(ringing, rel=0.05)
    assert fastest.real == pytest.approx(damping, rel=0.05)


@pytest.mark.source(
    EQUATION + "unit hanging open on a low line: 10 mm 24.5 kPa 655 L/min, 14 mm 11.3 kPa 951"
)
@pytest.mark.parametrize(("bore_mm", "vacuum_kpa", "l_min"), [(10.0, 24.5, 655.0), (14.0, 11.3, 951.0)])
def test_a_fallen_unit_takes_the_worked_air(bore_mm: float, vacuum_kpa: float, l_min: float) -> None:
    """The inversion of the standing vacuum gives the air that the open bore admits at it."""
    through_bore = free_air_l_min(math.pi / 4.0 * bore_mm**2, vacuum_kpa)
    assert through_bore == pytest.approx(l_min, rel=0.03)
    standing, line, dry = np.full(200, vacuum_kpa), np.full(200, LINE_KPA), np.zeros(200)
    air = admitted_air_l_min(LOW, standing, line, flow_kg_min=dry, rate_hz=20.0)
    assert air[-1] == pytest.approx(l_min, rel=0.03)


def opening(flow_kg_min: float, gap_mm: float, length_s: float, *, unit: Unit = LOW_LINE) -> Trace:
    """Let the simulator's unit run 1 s quiet, open a gap with ramps of 50 ms, and run on for 3 s."""
    t = np.arange(0.0, 4.0 + length_s, STEP_S)
    share = np.clip(np.minimum((t - 1.0) / 0.05, (1.0 + length_s - t) / 0.05), 0.0, 1.0)
    gaps_mm2 = 0.8 * math.pi / 4.0 * gap_mm**2 * share
    return run_unit(unit, Surroundings(milk_kg_min=flow_kg_min), gaps_mm2, dt_s=STEP_S)


def true_litres(trace: Trace) -> float:
    """Return the free air that went through the gap."""
    return float(trace.gap_air_l_min.sum() * STEP_S / 60.0)


def litres(air_l_min: Floats, rate_hz: float, length_s: float) -> float:
    """Return the air from just before the opening to 1.2 s after the reseal."""
    return float(air_l_min[round(0.9 * rate_hz) : round((2.2 + length_s) * rate_hz)].sum() / rate_hz / 60.0)


def heard_litres(
    trace: Trace, claw: ClawModel, length_s: float, *, flow_kg_min: float, rate_hz: float
) -> float:
    """Return the litres the detector's inversion makes of the simulator's vacuum."""
    step = round(1.0 / rate_hz / STEP_S)
    vacuum = np.ascontiguousarray(trace.vacuum_kpa[step - 1 :: step])
    line, flow = np.full(vacuum.size, LINE_KPA), np.full(vacuum.size, flow_kg_min)
    air = admitted_air_l_min(claw, vacuum, line, flow_kg_min=flow, rate_hz=rate_hz)
    return litres(air, rate_hz, length_s)


@pytest.mark.source(
    "two models: simulator.claw integrates forward (Runge-Kutta), detect.claw inverts (implicit)"
)
@pytest.mark.parametrize("rate_hz", [20.0, 50.0, 100.0])
@pytest.mark.parametrize("length_s", [0.4, 1.0, 2.0])
@pytest.mark.parametrize("gap_mm", [1.5, 2.5, 4.0])
@pytest.mark.parametrize("flow_kg_min", [1.0, 3.0, 5.0])
def test_the_inversion_finds_the_litres_that_went_in(
    flow_kg_min: float, gap_mm: float, length_s: float, rate_hz: float
) -> None:
    """From the simulator's vacuum alone the admitted litres come back within 5 %."""
    trace = opening(flow_kg_min, gap_mm, length_s)
    heard = heard_litres(trace, LOW, length_s, flow_kg_min=flow_kg_min, rate_hz=rate_hz)
    assert heard / true_litres(trace) == pytest.approx(1.0, abs=0.05)


def test_the_inversion_holds_on_a_high_line() -> None:
    """With three metres of tube and a lift of 1.8 m the litres come back within 5 % too."""
    trace = opening(2.0, 2.5, 1.0, unit=HIGH_LINE)
    heard = heard_litres(trace, HIGH, 1.0, flow_kg_min=2.0, rate_hz=20.0)
    assert heard / true_litres(trace) == pytest.approx(1.0, abs=0.05)


def resting_speed_m_s(claw_pa: float, flow_kg_s: float, claw: ClawConstants) -> float:
    """Return the speed at which the tube would run at once if its milk had no inertia."""
    line_pa = claw.atmosphere_pa - LINE_KPA * 1e3

    def left_over(speed: float) -> float:
        liquid = min(flow_kg_s * claw.length_m / (claw.speed_ratio * speed), 0.3)
        mass = tube_mass_kg(liquid, 0.5 * (claw_pa + line_pa), claw)
        friction = 0.5 * claw.loss * mass / claw.length_m * speed**2
        return (claw_pa - line_pa) * claw.area_m2 - friction - liquid * 9.81 * claw.lift_m / claw.length_m

    return float(brentq(left_over, 0.05, 200.0))


@pytest.mark.parametrize(("flow_kg_min", "gap_mm"), [(1.0, 2.5), (3.0, 1.5), (5.0, 2.5)])
def test_leaving_the_milk_s_inertia_out_gives_half_as_much_again(flow_kg_min: float, gap_mm: float) -> None:
    """A quasi-steady inversion of the same vacuum overstates the litres by more than 1.5 times."""
    trace, claw, rate_hz = opening(flow_kg_min, gap_mm, 1.0), LOW.constants(), 20.0
    pressure_pa = (SEA_LEVEL_KPA - trace.vacuum_kpa[19::20]) * 1e3
    speeds = np.array([resting_speed_m_s(p, flow_kg_min / 60.0, claw) for p in pressure_pa])
    outflow = pressure_pa / claw.atmosphere_pa * (speeds * claw.area_m2 - flow_kg_min / 60.0 / MILK_KG_M3)
    storage = claw.volume_m3 / claw.atmosphere_pa * np.gradient(pressure_pa, 1.0 / rate_hz)
    air = (storage + outflow) * 60e3
    wrong = litres(air - np.median(air[:19]), rate_hz, 1.0)
    assert wrong / true_litres(trace) > 1.5


def test_a_quiet_unit_admits_nothing() -> None:
    """A standing vacuum of a quiet unit is explained by its vent alone."""
    for flow in FLOWS_KG_MIN:
        trace = run_unit(LOW_LINE, Surroundings(milk_kg_min=flow), np.zeros(1600), dt_s=STEP_S)
        vacuum = np.ascontiguousarray(trace.vacuum_kpa[19::20])
        line, flows = np.full(vacuum.size, LINE_KPA), np.full(vacuum.size, flow)
        air = admitted_air_l_min(LOW, vacuum, line, flow_kg_min=flows, rate_hz=20.0)
        assert np.abs(air[40:]).max() < 0.5


def test_the_dip_grows_with_milk_flow_while_the_air_does_not() -> None:
    """The same gap dips deeper in high flow, but the litres heard follow the litres admitted."""
    traces = {flow: opening(flow, 1.5, 0.4) for flow in (1.0, 3.0, 5.0)}
    dips = [trace.vacuum_kpa[0] - trace.vacuum_kpa.min() for trace in traces.values()]
    heard = [heard_litres(t, LOW, 0.4, flow_kg_min=flow, rate_hz=20.0) for flow, t in traces.items()]
    assert dips == sorted(dips)
    assert dips[-1] > 1.3 * dips[0]
    assert max(heard) < 1.15 * min(heard)


@pytest.mark.parametrize(
    "wrong",
    [{"bore_mm": 3.0}, {"length_m": 0.0}, {"volume_l": 9.0}, {"vent_l_min": 0.0}, {"lift_m": 9.0}],
    ids=str,
)
def test_a_geometry_that_no_unit_has_is_refused(wrong: dict[str, float]) -> None:
    """The error names the parameter."""
    with pytest.raises(ParameterError, match=f"claw.{next(iter(wrong))}"):
        ClawModel(**wrong)
