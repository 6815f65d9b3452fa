"""Milk slugs: the restless pressure at the end of a long milk tube.

A slow random ripple (Ornstein-Uhlenbeck) plus plugs that pass: pressure rises fast, sinks back and
swings a little below, the stronger the more milk flows. Heavy slugging makes pseudo-slips of 3 to
8 kPa at 0.5 to 2 Hz on high lines.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from simulator.claw import FloatArray


@dataclass(frozen=True, slots=True)
class Slugging:
    """How restless the line is (engineering choices).

    Parameters
    ----------
    ripple_kpa, ripple_s
        Standard deviation and correlation time of the slow ripple.
    plugs_per_s
        Plugs a second at 3 kg/min.
    plug_kpa, plug_spread
        Median height of a plug and its log scatter (heavy tail).
    """

    ripple_kpa: float = 0.2
    ripple_s: float = 0.4
    plugs_per_s: float = 0.03
    plug_kpa: float = 0.9
    plug_spread: float = 0.6


@dataclass(frozen=True, slots=True)
class _Plug:
    stall: int
    start_s: float
    height_kpa: float
    rise_s: float
    sink_s: float

    def shape(self, t_s: FloatArray) -> FloatArray:
        """Return the plug's pressure [kPa]: a fast rise, an exponential fall that swings below zero."""
        since = np.maximum(t_s - self.start_s, 0.0)
        body = (1.0 - np.exp(-since / self.rise_s)) * np.exp(-since / self.sink_s)
        swing: FloatArray = body * np.cos(0.5 * math.pi * since / (2.0 * self.sink_s))
        return self.height_kpa * swing


_PLUG_LASTS = 6.0  # a plug is forgotten after this many sink times


class SlugNoise:
    """Makes the line noise of all stalls, tick by tick."""

    def __init__(self, slugging: Slugging, stalls: int, rng: np.random.Generator) -> None:
        self._set = slugging
        self._rng = rng
        self._last = np.zeros(stalls)
        self._plugs: list[_Plug] = []

    def fill(self, out: FloatArray, t_s: FloatArray, flow_kg_min: FloatArray) -> None:
        """Write the line noise [kPa] at the times ``t_s`` of one second into ``out`` (stalls, steps)."""
        knots = 10
        share = math.exp(-1.0 / (knots * self._set.ripple_s))
        points = np.empty((self._last.size, knots + 1))
        points[:, 0] = self._last
        kicks = self._rng.standard_normal((self._last.size, knots)) * math.sqrt(1.0 - share * share)
        for k in range(knots):
            points[:, k + 1] = share * points[:, k] + kicks[:, k]
        self._last = points[:, -1]
        places = (t_s - t_s[0]) / (t_s[-1] - t_s[0]) * knots
        left = np.minimum(places.astype(np.int64), knots - 1)
        part = places - left
        strength = 0.25 + np.minimum(flow_kg_min / 3.0, 1.5)
        np.multiply(points[:, left], 1.0 - part, out=out)
        out += points[:, left + 1] * part
        out *= (self._set.ripple_kpa * strength)[:, None]
        self._add_plugs(out, t_s, strength)

    def _add_plugs(self, out: FloatArray, t_s: FloatArray, strength: FloatArray) -> None:
        begun = self._rng.random(strength.size) < self._set.plugs_per_s * strength
        for stall in np.flatnonzero(begun):
            height = self._rng.lognormal(math.log(self._set.plug_kpa), self._set.plug_spread)
            self._plugs.append(
                _Plug(
                    int(stall),
                    float(t_s[0] + self._rng.random()),
                    float(min(height, 15.0) * min(1.0, strength[stall])),
                    float(self._rng.uniform(0.02, 0.08)),
                    float(self._rng.uniform(0.1, 0.35)),
                )
            )
        for plug in self._plugs:
            out[plug.stall] += plug.shape(t_s)
        self._plugs = [p for p in self._plugs if p.start_s + _PLUG_LASTS * p.sink_s > t_s[-1]]
