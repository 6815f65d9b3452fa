"""Slugs in the long milk tube."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import kurtosis

from simulator.slugging import Slugging, SlugNoise


def _noise(slugging: Slugging, flow_kg_min: float, seconds: int = 300, seed: int = 1) -> np.ndarray:
    source = SlugNoise(slugging, 4, np.random.default_rng(seed))
    out = np.empty((4, 400))
    record = []
    for second in range(seconds):
        source.fill(out, second + np.arange(400) / 400.0, np.full(4, flow_kg_min))
        record.append(out[:, ::4].copy())
    return np.concatenate(record, axis=1)


def test_the_ripple_has_the_spread_asked_for():
    """Without plugs the noise at 2.25 kg/min has the ripple's standard deviation, nearly."""
    noise = _noise(Slugging(ripple_kpa=0.5, plugs_per_s=0.0), 2.25)
    assert noise.std() == pytest.approx(0.5, rel=0.15)
    assert noise.mean() == pytest.approx(0.0, abs=0.1)


def test_plugs_have_a_heavy_tail():
    """Plugs give the noise a kurtosis far above that of white noise."""
    assert kurtosis(_noise(Slugging(plugs_per_s=0.1, plug_kpa=2.0), 3.0).ravel()) > 5.0


def test_more_milk_makes_more_slugs():
    """An idle line is quieter than one in full flow."""
    heavy = Slugging(plugs_per_s=0.2, plug_kpa=2.0)
    assert _noise(heavy, 0.0).std() < 0.5 * _noise(heavy, 4.0).std()


def test_the_noise_has_no_jump_between_seconds():
    """The record runs on smoothly from second to second."""
    noise = _noise(Slugging(plugs_per_s=0.0), 3.0, seconds=60)
    seams = np.abs(noise[:, 100::100] - noise[:, 99:-1:100])
    assert seams.max() < 6.0 * np.abs(np.diff(noise)).std()
