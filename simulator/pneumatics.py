"""The air of the whole parlor for one second: from what stalls do to vacuum, and from there to truth."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from simulator.air import atmosphere_kpa, free_air_l_min
from simulator.claw import FloatArray, Surroundings
from simulator.faults import FaultBook, FaultKind
from simulator.plant import ParlorState, advance_parlor
from simulator.pulsation import fill_liner_rates, kernel_shape
from simulator.scenario import Scenario
from simulator.session import Drive, StallState
from simulator.slips import gap_area_mm2
from simulator.slugging import SlugNoise
from simulator.stall import Stall
from simulator.steady import steady_state
from simulator.truth import Truth

_DIP_KPA = 1.5  # a plant dip of the truth tables is deeper than this
_DIP_OVER_KPA = 1.0  # and over when the plant is nearer than this to its mean


class Pneumatics:
    """Integrates all stalls and the plant, one second a call.

    Parameters
    ----------
    scenario, book
        Settings and faults.
    rng
        Draws slugs and the pulsators' phases.
    truth
        Where dips of the plant are written.
    """

    def __init__(self, scenario: Scenario, book: FaultBook, rng: np.random.Generator, truth: Truth) -> None:
        self._set = scenario
        self._book = book
        self._truth = truth
        stalls = scenario.deck.stalls
        self.steps = scenario.sensors.vacuum_hz * scenario.sensors.substeps
        dt_s = 1.0 / self.steps
        outside = atmosphere_kpa(scenario.altitude_m)
        self._outside_kpa = outside
        plant = scenario.plant
        vent = gap_area_mm2(scenario.vent_mm)
        vent_l_min = free_air_l_min(vent, outside - plant.vacuum_kpa, outside)
        self._vent_mm2 = vent
        self._state = ParlorState.at_rest(stalls, outside, outside - plant.vacuum_kpa)
        self._fixed = (
            scenario.unit.as_row(),
            plant.as_row(stalls, vent_l_min, outside),
            plant.line_weights(stalls),
            np.array([dt_s, float(scenario.tube)]),
        )
        self._cycle = rng.random(stalls)
        spread = 1.0 + scenario.pulsation.rate_spread * rng.standard_normal(stalls)
        self._cycles_per_step = scenario.pulsation.rate_per_min / 60.0 * spread * dt_s
        self._pulse_shape = kernel_shape(scenario.pulsation, dt_s)
        self._slugs = SlugNoise(scenario.slugging, stalls, rng)
        self._dip: tuple[float, float] | None = None
        self._plant_mean_kpa = plant.vacuum_kpa
        self._gap, self._milk, self._liner, self._noise, self._valve, self._seep = np.zeros(
            (6, stalls, self.steps)
        )
        self.cycle_start: FloatArray = self._cycle.copy()
        self.cycles_per_s: FloatArray = self._cycles_per_step * self.steps
        self.vacuum_kpa: FloatArray = np.zeros((stalls, 2 * self.steps))
        """Claw vacuum of this second and the one before, shape (stalls, 2 steps)."""
        self.gap_l_min: FloatArray = np.zeros((stalls, self.steps))
        """Air through gaps in this second."""
        self.plant_kpa: FloatArray = np.full(self.steps, plant.vacuum_kpa)
        """Plant vacuum in this second."""

    @property
    def now_kpa(self) -> FloatArray:
        """Claw vacuum of this second [kPa], shape (stalls, steps)."""
        return self.vacuum_kpa[:, self.steps :]

    @property
    def mean_claw_kpa(self) -> FloatArray:
        """Mean claw vacuum of the newest second [kPa], shape (stalls,)."""
        mean: FloatArray = self.now_kpa.mean(axis=1)
        return mean

    @property
    def mean_plant_kpa(self) -> float:
        """Mean plant vacuum of the newest second [kPa]."""
        return float(self.plant_kpa.mean())

    def settle(self, stalls: Sequence[Stall]) -> None:
        """Begin with every unit that milks at its resting vacuum."""
        for i, stall in enumerate(stalls):
            if stall.state is StallState.MILKING:
                around = Surroundings(
                    line_vacuum_kpa=self._set.plant.vacuum_kpa,
                    milk_kg_min=stall.drive.flow_after_kg_min,
                    outside_kpa=self._outside_kpa,
                )
                self._state.claw[i, :3] = steady_state(self._set.unit, around)
                self.vacuum_kpa[i, self.steps :] = self._outside_kpa - self._state.claw[i, 0]

    def advance(self, stalls: Sequence[Stall], start_s: float, *, pump_on: bool) -> None:
        """Integrate the second from ``start_s`` and tell every open air span of the truth what happened."""
        t_s = start_s + np.arange(self.steps) / self.steps
        for i, stall in enumerate(stalls):
            fill_drive(stall.drive, t_s, (self._gap[i], self._milk[i], self._valve[i]))
            open_seep = (t_s >= stall.drive.seep.from_s) & (t_s < stall.drive.seep.to_s)
            np.multiply(stall.drive.seep_mm2, open_seep, out=self._seep[i])
        self._add_leaks(stalls, start_s)
        self._pulsate(stalls, start_s)
        flow = np.array([stall.drive.flow_after_kg_min for stall in stalls])
        self._slugs.fill(self._noise, t_s, flow)
        self.vacuum_kpa[:, : self.steps] = self.vacuum_kpa[:, self.steps :]
        drive = (self._gap, self._milk, self._liner, self._noise, self._valve, self._seep)
        plant = (self._dips(start_s), np.full(self.steps, float(pump_on)), self._vents(stalls, start_s))
        out = (np.empty_like(self._gap), self.gap_l_min, self.plant_kpa)
        advance_parlor((self._state.claw, self._state.tank), drive + plant, self._fixed, out)
        self.vacuum_kpa[:, self.steps :] = out[0]
        for i, stall in enumerate(stalls):
            for span in stall.ledger.spans:
                span.measure(self.vacuum_kpa[i], self.gap_l_min[i], t_s)
        self._watch_plant(t_s, pump_on)

    def close(self, end_s: float) -> None:
        """Write a dip of the plant down that lasts to the end of the record [s]."""
        if self._dip is not None:
            self._truth.add_plant((self._dip[0], end_s), self._dip[1])
            self._dip = None

    def _add_leaks(self, stalls: Sequence[Stall], start_s: float) -> None:
        for i, stall in enumerate(stalls):
            bore = self._book.size(FaultKind.STEADY_LEAK, stall.number, start_s)
            if bore is not None:
                self._gap[i] += gap_area_mm2(bore)

    def _pulsate(self, stalls: Sequence[Stall], start_s: float) -> None:
        self.cycle_start = self._cycle.copy()
        off = [
            self._book.size(FaultKind.PULSATION_OFF, stall.number, start_s) is not None for stall in stalls
        ]
        pace = [self._book.size(FaultKind.PULSATION_RATE, stall.number, start_s) for stall in stalls]
        times = np.array([1.0 if share is None else share for share in pace])
        rate = np.where(off, 0.0, self._cycles_per_step * times)
        self.cycles_per_s = rate * self.steps
        fill_liner_rates(self._liner, self._cycle, rate, self._pulse_shape)

    def _dips(self, start_s: float) -> FloatArray:
        """Return the shift of the regulator's set point [kPa] in this second, shape (steps,)."""
        shift = np.zeros(self.steps)
        for fault in self._book.of_kind(FaultKind.PLANT_DIP):
            if fault.from_s < start_s + 1.0 and fault.to_s > start_s:
                first, last = (
                    int(np.clip((t - start_s) * self.steps, 0, self.steps))
                    for t in (fault.from_s, fault.to_s)
                )
                shift[first:last] = fault.size
        return shift

    def _vents(self, stalls: Sequence[Stall], start_s: float) -> FloatArray:
        """Return every stall's vent area [mm2]."""
        shares = [self._book.size(FaultKind.BLOCKED_VENT, stall.number, start_s) for stall in stalls]
        return self._vent_mm2 * np.array([1.0 if share is None else share for share in shares])

    def _watch_plant(self, t_s: FloatArray, pump_on: bool) -> None:
        """Follow the plant's dips for the truth."""
        if not pump_on:
            self._dip = None
            return
        deficit = self._plant_mean_kpa - self.plant_kpa
        if self._dip is None and deficit.max() > _DIP_KPA:
            self._dip = (float(t_s[int(np.argmax(deficit > _DIP_OVER_KPA))]), 0.0)
        if self._dip is not None:
            self._dip = (self._dip[0], max(self._dip[1], float(deficit.max())))
            if deficit[-1] < _DIP_OVER_KPA:
                over = np.flatnonzero(deficit >= _DIP_OVER_KPA)
                end = float(t_s[over[-1]]) if over.size else float(t_s[0])
                self._truth.add_plant((self._dip[0], end), self._dip[1])
                self._dip = None
        else:
            self._plant_mean_kpa += 0.05 * (float(self.plant_kpa.mean()) - self._plant_mean_kpa)


def fill_drive(drive: Drive, t_s: FloatArray, out: tuple[FloatArray, FloatArray, FloatArray]) -> None:
    """Write gap area [mm2], milk [kg/s] and valve (1 open) of one stall at the times ``t_s`` into ``out``."""
    gap, milk, valve = out
    gap[:] = 0.0
    for opening in drive.openings:
        if opening.start_s > t_s[-1]:
            continue
        edge = np.minimum((t_s - opening.start_s) / opening.rise_s, (opening.end_s - t_s) / opening.fall_s)
        gap += opening.area_mm2 * np.clip(edge, 0.0, 1.0)
    valve[:] = (t_s >= drive.valve.from_s) & (t_s < drive.valve.to_s)
    flowing = (t_s >= drive.milk.from_s) & (t_s < drive.milk.to_s) & (valve > 0.5)
    ramp = drive.flow_before_kg_min + (drive.flow_after_kg_min - drive.flow_before_kg_min) * (t_s - t_s[0])
    np.multiply(ramp / 60.0, flowing, out=milk)
