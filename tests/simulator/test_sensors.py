"""What sensors make of the truth."""

from __future__ import annotations

import numpy as np
import pytest

from simulator.sensors import MilkMeters, Sensors, VacuumSensors

IDEAL = Sensors(noise_kpa=0.0, step_kpa=0.0, offset_kpa=0.0, drift_kpa_h=0.0, lag_s=0.0)


def _read(sensors: Sensors, signal: np.ndarray, *, offset: float = 0.0, seconds: int = 1):
    row = VacuumSensors(sensors, signal.shape[0], rate_hz=sensors.vacuum_hz, rng=np.random.default_rng(1))
    flags, zero = np.zeros(signal.shape[0]), np.full(signal.shape[0], offset)
    return np.concatenate([row.read(signal, flags, zero) for _ in range(seconds)], axis=1)


def test_an_ideal_sensor_reads_the_truth():
    """Without lag, noise and offset every reading is the true value at its instant."""
    signal = np.linspace(40.0, 44.0, 400)[None, :]
    assert _read(IDEAL, signal)[0] == pytest.approx(np.round(signal[0, ::4], 3))


def test_lag_delays_a_step():
    """One time constant after a step the sensor has seen 63 % of it."""
    signal = np.concatenate([np.zeros((1, 200)), np.full((1, 200), 10.0)], axis=1)
    lagging = Sensors(noise_kpa=0.0, step_kpa=0.0, offset_kpa=0.0, drift_kpa_h=0.0, lag_s=0.05)
    assert _read(lagging, signal)[0, 55] == pytest.approx(10.0 * (1.0 - np.exp(-1.0)), abs=0.6)


def test_noise_has_the_spread_asked_for():
    """White noise of 0.15 kPa comes out as 0.15 kPa."""
    noisy = Sensors(noise_kpa=0.15, step_kpa=0.0, offset_kpa=0.0, drift_kpa_h=0.0)
    assert _read(noisy, np.full((20, 400), 42.0), seconds=3)[:, 100:].std() == pytest.approx(0.15, rel=0.05)


def test_readings_come_in_steps():
    """A quantised sensor gives multiples of its step."""
    readings = _read(Sensors(step_kpa=0.25), np.full((1, 400), 42.0))
    assert readings / 0.25 == pytest.approx(np.round(readings / 0.25))


def test_a_frozen_sensor_repeats_itself_and_wakes_up():
    """While frozen a sensor gives one value, also across seconds; afterwards it measures again."""
    row = VacuumSensors(Sensors(), 2, rate_hz=100, rng=np.random.default_rng(1))
    flags, zero = np.array([1.0, 0.0]), np.zeros(2)
    first = row.read(np.full((2, 400), 42.0), flags, zero)
    second = row.read(np.full((2, 400), 10.0), flags, zero)
    assert len(set(first[0]) | set(second[0])) == 1
    assert len(set(second[1])) > 1
    assert len(set(row.read(np.full((2, 400), 10.0), np.zeros(2), zero)[0])) > 1


def test_an_offset_shifts_all_readings():
    """A zero error of 2 kPa shifts every reading by 2 kPa."""
    assert _read(IDEAL, np.full((1, 400), 40.0), offset=2.0) == pytest.approx(np.full((1, 100), 42.0))


@pytest.mark.parametrize("rate_hz", [50, 100, 200, 400, 1000])
def test_every_rate_gives_its_number_of_samples(rate_hz):
    """A second at 50 to 1000 Hz has that many samples and enough physics steps."""
    sensors = Sensors(vacuum_hz=rate_hz, plant_hz=rate_hz)
    steps = rate_hz * sensors.substeps
    assert steps >= 400
    assert _read(sensors, np.full((2, steps), 42.0)).shape == (2, rate_hz)


@pytest.mark.parametrize(
    "wrong", [{"vacuum_hz": 20}, {"vacuum_hz": 2000}, {"frame_s": 0.3}, {"frame_s": 2.0}, {"plant_hz": 75}]
)
def test_impossible_sensors_are_refused(wrong):
    """Rates and frames outside the wire format are refused at once."""
    with pytest.raises(ValueError, match=r"rate|frame|plant"):
        Sensors(**wrong)


def test_a_milk_meter_is_slow():
    """After a step in flow the meter needs its integration time, 2 to 5 s, for two thirds of it."""
    meters = MilkMeters(Sensors(meter_gain=0.0, meter_noise=0.0), 1, np.random.default_rng(1))
    readings = [float(meters.read(np.array([3.0]), np.zeros(1))[0]) for _ in range(20)]
    assert readings[0] < 1.0
    assert 1.7 < readings[2] < 2.1
    assert readings[-1] == pytest.approx(3.0, rel=0.01)


def test_a_milk_meter_is_blind_while_air_rushes_through():
    """Admitted air makes the meter read low although the milk flows on."""
    meters = MilkMeters(Sensors(meter_gain=0.0, meter_noise=0.0), 1, np.random.default_rng(1))
    for _ in range(20):
        before = float(meters.read(np.array([3.0]), np.zeros(1))[0])
    for _ in range(4):
        during = float(meters.read(np.array([3.0]), np.array([60.0]))[0])
    assert during < 0.75 * before
