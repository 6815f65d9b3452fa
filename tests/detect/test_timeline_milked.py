"""A clock that jumps and a silence of the whole parlor, in the middle of milkings."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from detect.readings import StallVacuum
from tests.detect.scripted import Parlor, S, at_s, told_by


def milked() -> Parlor:
    """Return three stalls in milking, each with one slip."""
    parlor = Parlor.of(3, 260)
    for stall in parlor.stalls:
        stall.cow(2.0, f"c{stall.number}").milk(10.0, 200.0).open(140.0 + 3.0 * stall.number, 0.6, 15.0)
    return parlor


@pytest.mark.parametrize(
    "disturb",
    [lambda t_ns: t_ns - 3600 * S, lambda t_ns: t_ns + 3600 * S],
    ids=["an hour back", "an hour ahead"],
)
def test_a_jumping_clock_of_one_stall_leaves_the_others_alone(disturb: Callable[[int], int]) -> None:
    """From 60 s on one stall's vacuum carries a wrong time; the other stalls' slips are told as ever."""
    parlor = milked()
    readings = [
        replace(r, t_ns=disturb(r.t_ns))
        if isinstance(r, StallVacuum) and r.stall == 2 and at_s(r.t_ns) >= 60.0
        else r
        for r in parlor.readings()
    ]
    told = told_by(readings, 3)
    others = [(e.stall, e.start_ns) for e in told.air if e.stall != 2]
    assert others == [(e.stall, e.start_ns) for e in parlor.told().air if e.stall != 2]
    assert len(others) == 2


def test_an_hour_s_silence_in_the_middle_keeps_both_halves() -> None:
    """A parlor that milks, falls silent for an hour and milks again tells both slips and both milkings."""
    early = milked().readings()
    late = [replace(r, t_ns=r.t_ns + 4000 * S) for r in milked().readings()]
    told = told_by([*early, *late], 3)
    assert len(told.air) == 6
    assert len(told.milkings) == 6
