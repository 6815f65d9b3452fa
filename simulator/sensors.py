"""What sensors make of the truth: lag, noise, offset, drift, quantisation, freezing, blind meters."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numba
import numpy as np

from simulator.claw import FloatArray


@dataclass(frozen=True, slots=True)
class Sensors:
    """Sensors, clocks and network of the parlor (engineering choices).

    Parameters
    ----------
    vacuum_hz, frame_s
        Sampling rate (50 to 1000) and frame length (0.2, 0.25, 0.5 or 1 s) of the stalls.
    plant_hz
        Rate of the plant sensor, None for none.
    quarters
        Whether each short milk tube has a sensor too.
    lag_s, noise_kpa, step_kpa
        First-order lag, white noise and quantisation of the vacuum sensors.
    offset_kpa, drift_kpa_h
        Scatter of the zero between sensors, and of its wander in an hour.
    skew_ms
        Scatter of the device clocks between stalls.
    arm_hz
        Rate of the arm sensors (frames of 1 s).
    meter_lag_s, meter_gain, meter_noise
        Time over which the milk meter integrates (2 to 5 s), scatter of its gain, noise of a reading.
    blinding_l_min
        Admitted air at which the meter sees half of the milk.
    latency_s, jitter_s
        Fixed and mean random way of a message.
    loss_share, duplicate_share, late_share, late_s
        Shares of messages lost, sent twice, and held up by about ``late_s``.
    """

    vacuum_hz: int = 100
    frame_s: float = 0.5
    plant_hz: int | None = 100
    quarters: bool = False
    lag_s: float = 0.008
    noise_kpa: float = 0.15
    step_kpa: float = 0.05
    offset_kpa: float = 0.3
    drift_kpa_h: float = 0.1
    skew_ms: float = 30.0
    arm_hz: int = 5
    meter_lag_s: float = 3.0
    meter_gain: float = 0.03
    meter_noise: float = 0.02
    blinding_l_min: float = 60.0
    latency_s: float = 0.02
    jitter_s: float = 0.015
    loss_share: float = 0.0002
    duplicate_share: float = 0.0002
    late_share: float = 0.0
    late_s: float = 0.4

    def __post_init__(self) -> None:
        for rate in (self.vacuum_hz, self.plant_hz or self.vacuum_hz):
            if not 50 <= rate <= 1000:
                raise ValueError(f"vacuum rate {rate} Hz is outside 50..1000 Hz")
        if self.plant_hz is not None and self.vacuum_hz * self.substeps % self.plant_hz:
            raise ValueError(f"plant_hz {self.plant_hz} does not divide the physics rate")
        frames = 1.0 / self.frame_s
        if not 0.2 <= self.frame_s <= 1.0 or abs(frames - round(frames)) > 1e-9:
            raise ValueError(f"frame_s {self.frame_s} is not 0.2, 0.25, 0.5 or 1 s")
        if self.vacuum_hz % round(frames) or (self.plant_hz or 0) % round(frames):
            raise ValueError(f"frames of {self.frame_s} s do not hold a whole number of samples")

    @property
    def substeps(self) -> int:
        """Physics steps a sample: at least 400 steps a second."""
        return math.ceil(400 / self.vacuum_hz)

    @property
    def frames_per_s(self) -> int:
        """Vacuum frames a second."""
        return round(1.0 / self.frame_s)


@numba.njit(cache=True)
def _lagged(out: FloatArray, last: FloatArray, signal: FloatArray, share: float) -> None:
    """Pass every row of ``signal`` through a first-order lag and keep evenly spaced steps in ``out``."""
    every = signal.shape[1] // out.shape[1]
    for i in range(signal.shape[0]):
        value = last[i]
        for k in range(signal.shape[1]):
            value += share * (signal[i, k] - value)
            if k % every == 0:
                out[i, k // every] = value
        last[i] = value


class VacuumSensors:
    """A row of vacuum sensors, read one second at a time.

    Parameters
    ----------
    sensors
        Settings.
    count, rate_hz
        How many sensors, and their sampling rate [Hz].
    rng
        Draws zeros, drift and noise.
    """

    def __init__(self, sensors: Sensors, count: int, *, rate_hz: int, rng: np.random.Generator) -> None:
        self._set = sensors
        self._rng = rng
        self._rate_hz = rate_hz
        self._zero = rng.normal(0.0, sensors.offset_kpa, count)
        self._lag = np.zeros(count)
        self._frozen = np.full(count, np.nan)

    @property
    def zero_kpa(self) -> FloatArray:
        """What each sensor reads in open air [kPa], without faults."""
        return self._zero.copy()

    def read(self, signal_kpa: FloatArray, frozen: FloatArray, offset_kpa: FloatArray) -> FloatArray:
        """Return one second of readings [kPa], shape (sensors, rate).

        Parameters
        ----------
        signal_kpa
            True vacuum, shape (sensors, steps).
        frozen
            1 for a sensor that repeats its last value, shape (sensors,).
        offset_kpa
            Extra zero error of each sensor, shape (sensors,).
        """
        out = np.empty((signal_kpa.shape[0], self._rate_hz))
        share = (
            1.0 - math.exp(-1.0 / (signal_kpa.shape[1] * self._set.lag_s)) if self._set.lag_s > 0.0 else 1.0
        )
        _lagged(out, self._lag, signal_kpa, share)
        self._zero += self._rng.normal(0.0, self._set.drift_kpa_h / 60.0, self._zero.size)
        out += self._rng.normal(0.0, self._set.noise_kpa, out.shape)
        out += (self._zero + offset_kpa)[:, None]
        if self._set.step_kpa > 0.0:
            out = np.round(out / self._set.step_kpa) * self._set.step_kpa
        self._freeze(out, frozen > 0.5)
        rounded: FloatArray = np.round(out, 3)
        return rounded

    def _freeze(self, out: FloatArray, frozen: np.ndarray) -> None:
        """Hold the last value of frozen sensors for as long as they are."""
        fresh = frozen & np.isnan(self._frozen)
        self._frozen[fresh] = out[fresh, 0]
        self._frozen[~frozen] = np.nan
        out[frozen] = self._frozen[frozen, None]


class MilkMeters:
    """The milk meters of all stalls: slow, and blind while air rushes through."""

    def __init__(self, sensors: Sensors, stalls: int, rng: np.random.Generator) -> None:
        self._set = sensors
        self._rng = rng
        self._gain = rng.normal(1.0, sensors.meter_gain, stalls)
        self.reading_kg_min = np.zeros(stalls)
        """Newest reading of each stall [kg/min]."""
        self._smooth = np.zeros(stalls)

    def read(self, flow_kg_min: FloatArray, gap_l_min: FloatArray) -> FloatArray:
        """Take in one second of true flow [kg/min] and gap air [L/min] and return the readings [kg/min]."""
        seen = flow_kg_min * self._gain / (1.0 + gap_l_min / self._set.blinding_l_min)
        self._smooth += (1.0 - math.exp(-1.0 / self._set.meter_lag_s)) * (seen - self._smooth)
        noise = 1.0 + self._set.meter_noise * self._rng.standard_normal(self._smooth.size)
        self.reading_kg_min[:] = np.round(np.maximum(self._smooth * noise, 0.0), 3)
        return self.reading_kg_min.copy()
