"""Who stands where and when: a turning platform, its cows, and the course of every milking.

All instants are seconds since the start of the capture.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Final

import numpy as np
from numpy.typing import NDArray

from tests.worlds import milk
from tests.worlds.milk import Curve
from tests.worlds.ranges import Ranges, draw

FloatArray = NDArray[np.float64]

ON_PLATFORM: Final = 0.93
"""Share of a rotation between entry and exit."""
CLEAR_S: Final = 15.0
"""Between the end of a milking and the cow's exit."""


class Ending(StrEnum):
    """How a milking ended."""

    TAKE_OFF = "take_off"
    REMOVAL = "removal"
    FALL_OFF = "fall_off"


@dataclass(frozen=True, slots=True)
class Hang:
    """The unit hangs open from ``start_s``; its first cup is on again at ``back_s`` (None: not again)."""

    start_s: float
    back_s: float | None
    end_s: float
    kicked: bool = False


@dataclass(frozen=True, slots=True)
class Milking:
    """One milking. ``spans`` map the platform's time to time on the cow: (from, to, unit-on time at from)."""

    open_s: float
    on_s: float
    shut_s: float
    end_s: float
    ending: Ending
    curve: Curve
    spans: tuple[tuple[float, float, float], ...]
    hangs: tuple[Hang, ...] = ()
    restless: bool = False

    def milk_clock(self, seconds: FloatArray) -> FloatArray:
        """Return the time the unit has been on the cow; NaN while it is off."""
        clock = np.full(seconds.shape, np.nan)
        for start, stop, begun in self.spans:
            inside = (seconds >= start) & (seconds < stop)
            clock[inside] = seconds[inside] - start + begun
        return clock


@dataclass(frozen=True, slots=True)
class Visit:
    """One cow on one stall; ``milking`` is None for a cow that was passed by or an empty stall."""

    stall: int
    entry_s: float
    exit_s: float
    cow: str | None
    parity: int
    dim: int
    milking: Milking | None
    rounds: int = 1


@dataclass(frozen=True, slots=True)
class Platform:
    """What all stalls share: size, speed, and how the take-off is set."""

    stalls: int
    rotation_s: float
    last_entry_s: float
    take_off: tuple[float, float]


def draw_platform(rng: np.random.Generator, ranges: Ranges, stalls: int, milking_s: float) -> Platform:
    """Draw a platform whose last cow is done when ``milking_s`` is over."""
    rotation = min(draw(rng, ranges.rotation_s), 0.9 * milking_s)
    return Platform(
        stalls,
        rotation,
        max(milking_s - rotation, 1.0),
        (draw(rng, ranges.take_off_kg_min), draw(rng, ranges.take_off_delay_s)),
    )


def draw_visits(rng: np.random.Generator, ranges: Ranges, platform: Platform, stall: int) -> list[Visit]:
    """Draw what happens at one stall, in order of time."""
    visits: list[Visit] = []
    entry = (stall - 1) / platform.stalls * min(platform.rotation_s, platform.last_entry_s)
    while entry < platform.last_entry_s:
        if rng.random() < ranges.empty_share:
            entry += platform.rotation_s
            continue
        cow = None if rng.random() < ranges.unnamed_share else f"c{stall:02d}{len(visits):02d}"
        cow_of_herd = Visit(
            stall,
            entry,
            entry + ON_PLATFORM * platform.rotation_s,
            cow,
            int(min(1 + rng.geometric(0.45) - 1, 8)),
            int(rng.integers(3, 320)),
            None,
        )
        visit = _with_milking(rng, ranges, platform, cow_of_herd)
        visits.append(visit)
        entry = visit.entry_s + visit.rounds * platform.rotation_s
    return visits


def _with_milking(rng: np.random.Generator, ranges: Ranges, platform: Platform, visit: Visit) -> Visit:
    """Draw the milking; a cow that needs longer than her round goes round again or is taken off in time."""
    scale = platform.rotation_s / milk.USUAL_ROTATION_S
    curve = milk.draw_curve(rng, ranges, platform.rotation_s, platform.take_off)
    on = visit.entry_s + rng.uniform(12.0, 40.0) * scale
    bare = Milking(
        on - rng.uniform(0.2, 1.2),
        on,
        0.0,
        0.0,
        Ending.TAKE_OFF,
        curve,
        (),
        (),
        rng.random() < ranges.restless_share,
    )
    milking = _course(rng, ranges, bare)
    over = milking.end_s - (visit.exit_s - CLEAR_S)
    if over <= 0.0:
        return replace(visit, milking=milking)
    may_go_round = visit.entry_s + platform.rotation_s < platform.last_entry_s
    if may_go_round and over < 0.8 * platform.rotation_s and rng.random() < 0.5:
        return replace(visit, milking=milking, rounds=2, exit_s=visit.exit_s + platform.rotation_s)
    cut = replace(curve, take_off_s=visit.exit_s - CLEAR_S - 4.0 - on)
    shut = visit.exit_s - CLEAR_S - 4.0
    plain = replace(
        bare, curve=cut, spans=((on, shut, 0.0),), shut_s=shut, end_s=shut + rng.uniform(0.9, 2.0)
    )
    return replace(visit, milking=plain)


def _course(rng: np.random.Generator, ranges: Ranges, bare: Milking) -> Milking:
    """Lay fall-offs and the ending along the milking's time."""
    duration, on = bare.curve.take_off_s, bare.on_s
    if rng.random() < ranges.removal_share:
        off = on + duration * rng.uniform(0.5, 0.97)
        shut = off + rng.uniform(0.8, 5.0)
        return replace(
            bare,
            ending=Ending.REMOVAL,
            spans=((on, off, 0.0),),
            hangs=(Hang(off, None, shut),),
            shut_s=shut,
            end_s=off + 0.5,
        )
    if rng.random() < ranges.fall_off_share * (2.5 if bare.restless else 1.0):
        return _fallen(rng, bare)
    shut = on + duration
    return replace(bare, spans=((on, shut, 0.0),), shut_s=shut, end_s=shut + rng.uniform(0.9, 2.0))


def _fallen(rng: np.random.Generator, bare: Milking) -> Milking:
    """Let the unit fall off once; seven times of ten a milker puts it on again."""
    duration, on = bare.curve.take_off_s, bare.on_s
    fall = on + rng.uniform(0.15, 0.9) * duration
    hang = float(np.exp(rng.uniform(np.log(2.0), np.log(40.0))))
    kicked = bare.restless or rng.random() < 0.5
    if rng.random() < 0.7:
        back = fall + hang
        again = back + rng.uniform(3.0, 10.0)
        shut = back + max(duration - (fall - on), 25.0)
        return replace(
            bare,
            hangs=(Hang(fall, back, again, kicked),),
            spans=((on, fall, 0.0), (back, shut, fall - on)),
            shut_s=shut,
            end_s=shut + rng.uniform(0.9, 2.0),
        )
    return replace(
        bare,
        ending=Ending.FALL_OFF,
        hangs=(Hang(fall, None, fall + hang, kicked),),
        spans=((on, fall, 0.0),),
        shut_s=fall + hang,
        end_s=fall + 0.3,
    )
