"""The detach arm: how its angle and the pay-out of its cord look at 5 Hz.

A taut cord hands the pulsation's beat on to the arm, a slack one does not.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from tests.worlds.plant import RATE_HZ, wander
from tests.worlds.ranges import Ranges, draw
from tests.worlds.schedule import Ending, Visit
from tests.worlds.support import SupportSpell

FloatArray = NDArray[np.float64]

ARM_HZ: Final = 5.0
PARKED_DEG: Final = 65.0
PARKED_MM: Final = 40.0


def draw_arm(
    rng: np.random.Generator,
    ranges: Ranges,
    visits: list[Visit],
    told: tuple[list[SupportSpell], list[tuple[float, float]], FloatArray],
) -> tuple[FloatArray, FloatArray]:
    """Return angle [deg] and cord [mm] of one stall over the capture, in its own sign, gain and zero.

    Parameters
    ----------
    told:
        Spells and unrest of this stall, and the phase of its beat at 100 Hz.
    """
    spells, unrest, phase = told
    beat = phase[:: int(RATE_HZ / ARM_HZ)]
    seconds = np.arange(beat.size) / ARM_HZ
    angle, cord = np.full(beat.size, PARKED_DEG), np.full(beat.size, PARKED_MM)
    taut = np.zeros(beat.size)
    milking_deg, milking_mm = rng.uniform(5.0, 25.0), rng.uniform(350.0, 500.0)
    for visit in visits:
        _lay_visit(
            rng, (seconds, angle, cord, taut), visit, (milking_deg, milking_mm, 1.0 + ranges.beat_spread)
        )
    for spell in spells:
        _lay_spell(rng, (seconds, angle, cord, taut), spell)
    size = beat.size
    on = taut > 0.0
    shift = rng.uniform()
    wave = np.sin(2 * np.pi * (beat + shift)) * (
        1.0 + 0.5 * ranges.beat_spread * wander(rng, size, 20.0, ARM_HZ)
    )
    deg, mm = draw(rng, ranges.angle_noise_deg), draw(rng, ranges.cord_noise_mm)
    angle += deg * draw(rng, ranges.beat_over_noise) * taut * wave + on * 0.25 * wander(
        rng, size, 8.0, ARM_HZ
    )
    cord += mm * draw(rng, ranges.beat_over_noise) * taut * wave + on * 3.0 * wander(rng, size, 8.0, ARM_HZ)
    for start, end in unrest:
        _lay_unrest(rng, (seconds, angle, cord), (start, end))
    angle += deg * rng.normal(size=size)
    cord += mm * rng.normal(size=size)
    sign = rng.choice([-1.0, 1.0])
    angle = sign * rng.uniform(0.9, 1.1) * angle + rng.uniform(-20.0, 20.0)
    return angle, np.maximum(rng.uniform(0.95, 1.05) * cord + rng.uniform(-20.0, 30.0), 0.0)


def _lay_visit(
    rng: np.random.Generator, arm: tuple[FloatArray, ...], visit: Visit, place: tuple[float, float, float]
) -> None:
    """Bring the arm out before attaching, to the height of this cow's udder, and back at the end."""
    milking = visit.milking
    if milking is None:
        return
    seconds, angle, cord, taut = arm
    height = rng.normal(0.0, 1.0)
    out_s = milking.open_s - rng.uniform(1.0, 4.0)
    back_s = milking.end_s + rng.uniform(-0.3, 0.4)
    if milking.ending is not Ending.TAKE_OFF:
        # a person carries the unit to the arm, or the take-off pulls in what lies there
        back_s = milking.shut_s + rng.uniform(-1.0, 1.5)
    going = np.clip((seconds - out_s) / rng.uniform(1.5, 3.0), 0.0, 1.0)
    coming = np.clip((seconds - back_s) / rng.uniform(1.0, 2.0), 0.0, 1.0)
    share = np.minimum(going, 1.0 - coming)
    angle += share * (place[0] + 1.2 * height - PARKED_DEG)
    cord += share * (place[1] + 25.0 * height - PARKED_MM)
    for start, stop, _ in milking.spans:
        settled = start + (8.0 if start == milking.on_s else 5.0)
        taut[(seconds >= settled) & (seconds < stop)] = place[2] ** height
    for hang in milking.hangs:
        # the unit hangs or lies low: the cord runs out and the arm swings
        low = (seconds >= hang.start_s) & (seconds < (hang.back_s or hang.end_s))
        swing = np.exp(-(seconds[low] - hang.start_s) / 2.0) * np.sin(6.0 * (seconds[low] - hang.start_s))
        # a hand that pulls the unit off lowers it and does not let it swing
        held = milking.ending is Ending.REMOVAL
        drop = (60.0 if held else 180.0) * rng.uniform(0.6, 1.2)
        cord[low] += drop * np.minimum((seconds[low] - hang.start_s) / 0.6, 1.0)
        angle[low] += (0.5 if held else 6.0) * swing - rng.uniform(1.0, 5.0)


def _lay_spell(rng: np.random.Generator, arm: tuple[FloatArray, ...], spell: SupportSpell) -> None:
    """Slack pays out and loses the beat; drag turns the arm by 4 to 10 degrees and keeps it."""
    seconds, angle, cord, taut = arm
    inside = (seconds >= spell.start_s) & (seconds < spell.end_s)
    into = np.clip((seconds - spell.start_s) / 1.5, 0.0, 1.0) * inside
    if spell.state == "slack":
        cord += into * rng.uniform(15.0, 60.0)
        angle += into * rng.uniform(-1.5, 1.5)
        taut[inside] *= rng.uniform(0.0, 0.12)
    else:
        cord -= into * rng.uniform(0.0, 30.0)
        angle += into * rng.uniform(4.0, 10.0) * rng.choice([-1.0, 1.0])
        taut[inside] *= rng.uniform(1.0, 1.6)


def _lay_unrest(rng: np.random.Generator, arm: tuple[FloatArray, ...], span: tuple[float, float]) -> None:
    """Let the cow's treading shake the arm for some seconds."""
    seconds, angle, cord = arm
    inside = (seconds >= span[0]) & (seconds < span[1])
    size = int(inside.sum())
    if size:
        angle[inside] += rng.uniform(1.5, 5.0) * wander(rng, size, 0.3, ARM_HZ)
        cord[inside] += rng.uniform(12.0, 40.0) * wander(rng, size, 0.3, ARM_HZ)
