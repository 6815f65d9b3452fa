"""Milk flow of four quarters."""

from __future__ import annotations

import numpy as np
import pytest

from simulator.udder import Quarter, Udder


def _udder(let_down_s: float = 5.0, rear_kg: float = 3.5) -> Udder:
    front, rear = Quarter(2.7, 0.95, 30.0), Quarter(rear_kg, 1.15, 30.0)
    return Udder((front, front, rear, rear), let_down_s)


def _flows(udder: Udder, seconds: int, vacuum_kpa: float = 42.0) -> np.ndarray:
    return np.array([udder.step(1.0, vacuum_kpa) for _ in range(seconds)])


def test_an_udder_gives_its_yield_and_no_more():
    """Milked long enough, the flow integrates to the yield."""
    udder = _udder()
    flows = _flows(udder, 900)
    assert flows.sum() / 60.0 == pytest.approx(12.4, rel=1e-3)
    assert sum(udder.milked_kg) == pytest.approx(flows.sum() / 60.0)
    assert udder.left_kg == pytest.approx(0.0, abs=0.02)


@pytest.mark.source("Ambord & Bruckmaier, J Dairy Sci 93:3588 (2010): peak 4.3-4.7 kg/min, rise 0.65 min")
def test_flow_rises_to_a_plateau_of_four_kilograms_and_fades():
    """A mean udder reaches about 4.2 kg/min within 40 s or so, stays, and fades without a jump."""
    flows = _flows(_udder(), 420)
    assert 3.8 <= flows.max() <= 4.8
    assert 20 <= int(np.argmax(flows > 0.9 * flows.max())) <= 60
    assert np.abs(np.diff(flows)).max() < 0.6


def test_a_late_let_down_makes_the_milking_bimodal():
    """With let-down at 75 s the flow falls by at least 0.2 kg/min in between and rises again."""
    flows = _flows(_udder(let_down_s=75.0), 200)
    gap = flows[30:75].min()
    assert flows[:40].max() - gap > 0.2
    assert flows[75:].max() - gap > 0.2


def test_the_last_milk_fades_exponentially():
    """In the decline a quarter's flow falls by 1/e in its time constant."""
    udder = _udder()
    rear = []
    for _ in range(420):
        udder.step(1.0, 42.0)
        rear.append(udder.flow_kg_min[2])
    assert rear[330] / rear[300] == pytest.approx(np.exp(-1.0), rel=0.05)


def test_more_vacuum_milks_faster():
    """Flow grows with the claw vacuum to the power 0.7."""
    strong, weak = _flows(_udder(), 100, 42.0)[-1], _flows(_udder(), 100, 30.0)[-1]
    assert weak / strong == pytest.approx((30.0 / 42.0) ** 0.7, rel=0.01)


def test_a_poor_quarter_runs_dry_before_the_others():
    """A quarter with a third of the milk stops early while the udder still flows."""
    udder = Udder((Quarter(0.9, 0.95, 30.0), Quarter(2.7, 0.95, 30.0), *[Quarter(3.5, 1.15, 30.0)] * 2), 5.0)
    _flows(udder, 170)
    assert udder.flow_kg_min[0] < 0.05
    assert udder.total_flow_kg_min > 1.0


def test_a_quarter_without_its_cup_gives_nothing():
    """A closed quarter keeps its milk."""
    udder = _udder()
    for _ in range(100):
        udder.step(1.0, 42.0, closed=1)
    assert udder.milked_kg[1] == 0.0
    assert udder.milked_kg[0] > 1.0


def test_cups_off_stops_the_flow():
    """After the unit has fallen no milk flows."""
    udder = _udder()
    _flows(udder, 60)
    udder.stop()
    assert udder.total_flow_kg_min == 0.0
