"""The rotary platform: where every stall stands, and when it stops.

Places are counted in stalls from the entry bridge: a stall enters at place 0 and leaves at ``stalls``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True, slots=True)
class Deck:
    """Layout and pace of the platform (engineering choices).

    Parameters
    ----------
    stalls
        Number of stalls; rotaries have 30 to 106, smaller ones serve tests and demonstrations.
    stall_s
        Seconds a stall takes past a fixed point.
    enter_place, attach_place, exit_place_before_end
        Where a cow steps on, where milkers attach, and how far before the end she backs off [stalls].
    attach_spread
        Scatter of the attaching place [stalls].
    stops_per_h, stop_s
        Stops of the platform: mean number an hour and mean length [s].
    milkers
        Names of the milkers who take turns by the hour.
    """

    stalls: int = 40
    stall_s: float = 12.0
    enter_place: float = 0.5
    attach_place: float = 1.8
    exit_place_before_end: float = 1.2
    attach_spread: float = 0.6
    stops_per_h: float = 3.0
    stop_s: float = 20.0
    milkers: tuple[str, ...] = ("m1", "m2")

    @property
    def rotation_s(self) -> float:
        """Time of one turn [s]."""
        return self.stalls * self.stall_s

    @property
    def cows_per_h(self) -> float:
        """Largest number of cows an hour."""
        return 3600.0 / self.stall_s

    @property
    def exit_place(self) -> float:
        """Place at which a cow leaves [stalls]."""
        return self.stalls - self.exit_place_before_end


class Platform:
    """The platform through time.

    Parameters
    ----------
    deck
        Layout and pace.
    rng
        Draws the stops.
    """

    def __init__(self, deck: Deck, rng: np.random.Generator) -> None:
        self._deck = deck
        self._rng = rng
        self._stopped_until_s = 0.0
        self.travel = 0.0
        """Distance turned since the start [stalls]."""

    def place(self, stall: int) -> float:
        """Return where a stall (from 1) stands, 0 to the number of stalls."""
        return (self.travel - (stall - 1)) % self._deck.stalls

    def step(self, now_s: float, dt_s: float) -> None:
        """Turn on for ``dt_s`` from ``now_s``, unless stopped."""
        if now_s >= self._stopped_until_s and self._rng.random() < self._deck.stops_per_h * dt_s / 3600.0:
            self._stopped_until_s = now_s + float(self._rng.exponential(self._deck.stop_s))
        if now_s >= self._stopped_until_s:
            self.travel += dt_s / self._deck.stall_s
