"""A unit dragged out of its usual place, told from milkings before."""

from __future__ import annotations

import numpy as np
import pytest

from detect.results import SupportEvent
from tests.detect.scripted import WORKING, Parlor, at_s


def told(drag_s: tuple[float, float], turn: tuple[float, float]) -> list[SupportEvent]:
    """Return the unsupported stretches of four milkings, the fourth (1000 s on) with its arm turned away."""
    parlor = Parlor.of(1, 1320)
    stall = parlor.stalls[0]
    rng = np.random.default_rng(7)
    at = np.arange(stall.seconds * 5) / 5.0
    for number, height in enumerate((0.0, 0.8, -0.6, 0.3)):
        on_s = 20.0 + 320.0 * number + (20.0 if number == 3 else 0.0)
        stall.cow(on_s - 10.0, str(number)).milk(on_s, on_s + 280.0)
        working = (stall.arm == WORKING).all(axis=1) & (at >= on_s - 1.0)
        stall.arm[working] += (1.2 * height, 25.0 * height)
        stall.arm[:, 0] += 0.3 * working * np.sin(2.0 * np.pi * at)
    stall.arm[(at >= drag_s[0]) & (at < drag_s[1])] += turn
    stall.arm += rng.normal(0.0, (0.12, 1.0), stall.arm.shape)
    return [result for result in parlor.told().results if isinstance(result, SupportEvent)]


def test_a_unit_dragged_from_the_start_is_told_within_a_quarter_minute() -> None:
    """The arm stands 12 degrees beside where it stood for three cows, and goes on beating."""
    (found,) = told((1000.0, 1280.0), (12.0, -10.0))
    assert found.state == "drag"
    assert at_s(found.start_ns) == pytest.approx(1000.0, abs=1.0)
    assert at_s(found.detected_ns) < 1015.0
    assert at_s(found.end_ns) == pytest.approx(1280.0, abs=4.0)


def test_what_went_before_a_return_is_the_departure() -> None:
    """Dragged by less than stands off from cow to cow, then set right: the step shows which part it was."""
    (found,) = told((1000.0, 1100.0), (6.5, 0.0))
    assert found.state == "drag"
    assert at_s(found.start_ns) == pytest.approx(1000.0, abs=1.0)
    assert at_s(found.end_ns) == pytest.approx(1100.0, abs=4.0)


def test_cows_of_other_height_are_no_finding() -> None:
    """Nothing is told of four milkings that differ as cows do."""
    assert told((0.0, 0.0), (0.0, 0.0)) == []
