"""Lapses of support."""

from __future__ import annotations

import math

import numpy as np
import pytest

from simulator.arm import SupportState
from simulator.scenario import Routine
from simulator.support import Lapse, draw_lapse


def _draw(routine: Routine, arm_share: float | None, count: int) -> list[Lapse | None]:
    rng = np.random.default_rng(12)
    return [draw_lapse(routine, arm_share, 100.0, rng) for _ in range(count)]


def test_lapses_come_at_the_share_asked_for():
    """With a share of 0.11 that part of the milkings has one, a fifth of them dragged."""
    lapses = [lapse for lapse in _draw(Routine(), None, 6000) if lapse is not None]
    assert len(lapses) / 6000 == pytest.approx(0.11, abs=0.01)
    dragged = [lapse for lapse in lapses if lapse.state is SupportState.DRAG]
    assert len(dragged) / len(lapses) == pytest.approx(0.2, abs=0.05)


def test_an_arm_out_of_set_fails_at_every_milking():
    """Such an arm leaves every unit slack from the attaching to the end."""
    for lapse in _draw(Routine(unsupported_share=0.0), 0.1, 50):
        assert lapse == Lapse(SupportState.SLACK, 0.1, 100.0, math.inf)


def test_some_lapses_are_mended_and_some_are_not():
    """Lapses begin at or after the attaching; a part is mended later, the rest lasts."""
    lapses = [lapse for lapse in _draw(Routine(unsupported_share=1.0), None, 500) if lapse is not None]
    assert min(lapse.from_s for lapse in lapses) == 100.0
    assert all(lapse.to_s > lapse.from_s for lapse in lapses)
    assert 0.2 < np.mean([math.isfinite(lapse.to_s) for lapse in lapses]) < 0.5


def test_a_lapse_stands_in_its_half_open_span():
    """It stands from its start up to, not including, its end."""
    lapse = Lapse(SupportState.SLACK, 0.0, 10.0, 20.0)
    assert [lapse.stands_at(t) for t in (9.9, 10.0, 19.9, 20.0)] == [False, True, True, False]
