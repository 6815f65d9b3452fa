"""Which ramps count as a drain: quiet before, steady, long enough, and ended by the arm or empty."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from detect.air import CHOKED_FLOW, flow_function
from detect.drain import (
    HANGING_SHARE,
    LEAST_DROP_KPA,
    LEAST_RAMP,
    LEVEL_GAIN,
    OPEN_SHARE,
    RAMP_SHARE,
    RISE_SHARE,
    SUDDEN_KPA,
    drain_s,
    drains,
    flow_function_share,
    read_ramp,
    watch_drain,
)
from tests.detect.by_hand import stall, write_raw

AT, ATMOSPHERE_KPA, QUIET = 10_000, 101.325, 40.0


def hung(**fields: Any) -> Any:
    """Return an attached and settled unit whose quiet vacuum is known."""
    s = stall(**({"attached": 1, "settled": 1, "kpa": 42.0, "on_bin": AT - 900} | fields))
    s["drain"]["level"] = QUIET
    return s


@pytest.mark.parametrize(
    ("fields", "follows"),
    [
        ({}, True),
        ({"settled": 0}, False),
        ({"missing": 1}, False),
        ({"opening": 1}, False),
        ({"kpa": HANGING_SHARE * QUIET - 0.1}, False),
        ({"kpa": HANGING_SHARE * QUIET + 0.1}, True),
    ],
)
def test_the_quiet_vacuum_is_followed_while_the_unit_hangs(fields: dict[str, float], follows: bool) -> None:
    """With a memory of five seconds, not unsettled, missing, in an event or when the take-off began."""
    s = hung(**fields)
    watch_drain(s, AT, ATMOSPHERE_KPA)
    kpa = fields.get("kpa", 42.0)
    assert s["drain"]["level"] == pytest.approx(QUIET + (LEVEL_GAIN * (kpa - QUIET) if follows else 0.0))
    assert s["drain"]["was_on"] == 1


def test_the_first_quiet_bin_is_the_level_and_a_removal_forgets_it() -> None:
    """A unit that was never on has nothing to read."""
    s = hung()
    s["drain"]["level"] = 0.0
    watch_drain(s, AT, ATMOSPHERE_KPA)
    assert s["drain"]["level"] == 42.0
    s["attached"], s["off_bin"] = 0, AT
    watch_drain(s, AT + 1, ATMOSPHERE_KPA)
    assert (s["drain"]["was_on"], s["drain"]["level"]) == (0, 0.0)
    s["drain"]["level"] = 9.0
    watch_drain(s, AT + 2, ATMOSPHERE_KPA)
    assert s["drain"]["level"] == 9.0


@pytest.mark.parametrize("vacuum_kpa", [0.0, 5.0, 20.0, 47.0, 60.0])
def test_the_share_of_the_choked_inflow(vacuum_kpa: float) -> None:
    """That of the orifice law, none without vacuum, all of it when choked."""
    share = flow_function((ATMOSPHERE_KPA - vacuum_kpa) / ATMOSPHERE_KPA) / CHOKED_FLOW
    assert flow_function_share(vacuum_kpa, ATMOSPHERE_KPA) == pytest.approx(share)
    assert flow_function_share(-3.0, ATMOSPHERE_KPA) == 0.0


def ramped(fall: list[float], off: int | None = None, **fields: Any) -> Any:
    """Return a unit after three quiet seconds, a ramp and two empty seconds, its ramp read."""
    s = hung(**fields)
    first = AT - 60
    write_raw(s, first, [QUIET] * 60 + fall + [0.0] * 40)
    s["off_bin"] = AT + (len(fall) if off is None else off)
    read_ramp(s, AT + len(fall) + 40, ATMOSPHERE_KPA)
    return s["drain"]


STEADY = [QUIET - k for k in range(1, 21)]


def test_a_ramp_gives_its_constant() -> None:
    """One kPa a bin is 20 kPa/s over the mean share of the choked inflow; the arm pulled at 21 kPa."""
    w = ramped(STEADY)
    shares = [flow_function_share(QUIET - k - 0.5, ATMOSPHERE_KPA) for k in range(1, 19)]
    assert (w["n"], w["bin"], w["quiet"]) == (1, AT + 20, QUIET)
    assert w["rate"] == pytest.approx(20.0 / np.mean(shares), rel=0.02)
    assert w["pulled"] == pytest.approx(21.0)


def test_the_bin_before_a_pull_is_not_part_of_the_ramp() -> None:
    """It may have seen some of the pull; several sudden bins are all left out."""
    assert ramped([*STEADY, 8.0], off=20)["pulled"] == pytest.approx(21.0)
    assert ramped([*STEADY[:-1], 10.5], off=20)["pulled"] == pytest.approx(22.0)
    gentle = ramped([QUIET - 2.0 * k for k in range(1, 20)], off=18)
    assert gentle["pulled"] == pytest.approx(2.0)


def test_a_short_ramp_is_none() -> None:
    """Four bins are needed, and nothing from before the unit was on or data came again."""
    steep = [QUIET - 4.0 * k for k in range(1, 9)]
    assert ramped([*steep, 0.0], off=9)["n"] == 1
    assert ramped(steep[:LEAST_RAMP], off=LEAST_RAMP)["n"] == 0
    assert ramped(STEADY, on_bin=AT + 18)["n"] == 0
    assert ramped(STEADY, resume_bin=AT + 18)["n"] == 0
    assert ramped(STEADY, resume_bin=AT + 5)["n"] == 1


def steady(kpa: list[float], start: int, end: int) -> bool:
    """Tell whether a vacuum after three quiet seconds drains between two of its bins."""
    s = hung()
    write_raw(s, AT - 60, [QUIET] * 60 + kpa)
    return bool(drains(s, AT + start, AT + end))


def test_a_drain_sinks_steadily_from_near_the_quiet_vacuum() -> None:
    """A fall in it, a rise, or a begin far below is a unit that opened or sealed again."""
    assert steady(STEADY, 0, 19)
    low = OPEN_SHARE * QUIET
    assert steady([low + 0.1 - 0.5 * k for k in range(20)], 0, 19)
    assert not steady([low - 0.1 - 0.5 * k for k in range(20)], 0, 19)
    for fall, sinks in ((SUDDEN_KPA - 0.1, True), (SUDDEN_KPA + 0.1, False)):
        assert steady([*STEADY[:10], *(kpa - fall + 1.0 for kpa in STEADY[10:])], 0, 19) is sinks
    risen = RISE_SHARE * QUIET
    for more, sinks in ((-0.1, True), (0.1, False)):
        rise = [33.0, 26.0] + [20.0] * 6 + [20.0 + risen + more] + [18.0] * 11
        assert steady(rise, 0, 19) is sinks


def test_a_second_clearly_under_the_quiet_vacuum_comes_before_the_cups_open() -> None:
    """1.5 kPa on its mean; a unit pulled at once shows none."""
    for drop, sinks in ((LEAST_DROP_KPA + 0.05, True), (LEAST_DROP_KPA - 0.05, False)):
        assert steady([QUIET - drop] * 30, 5, 29) is sinks
    assert not steady([np.nan] * 30, 5, 29)
    assert RAMP_SHARE * QUIET > QUIET - LEAST_DROP_KPA


def test_an_empty_claw_takes_longer_the_further_it_drains() -> None:
    """Choked all the way it is a straight line; twice as far takes twice as long."""
    assert drain_s(10.0, 70.0, 50.0, atmosphere_kpa=ATMOSPHERE_KPA) == pytest.approx(2.0, rel=1e-6)
    assert drain_s(10.0, 90.0, 50.0, atmosphere_kpa=ATMOSPHERE_KPA) == pytest.approx(4.0, rel=1e-6)
    assert drain_s(0.0, 42.0, 10.0, atmosphere_kpa=ATMOSPHERE_KPA) > 1e9
