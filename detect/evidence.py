"""What a technician reads about a condition: one sentence with the figures that speak for it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Final

from detect.kinds import Condition

FIGURES: Final = 5
"""Most numbers behind one evidence."""
MOST_TOLD_L_MIN: Final = 50.0
UNDER_VACUUM_KPA: Final = 5.0

Figures = Sequence[float]


def evidence_text(condition: Condition, figures: Figures) -> str:
    """Return the evidence for a watched condition.

    Parameters
    ----------
    condition:
        Any but a gap in the data.
    figures:
        In this order. Frozen: reading [kPa], how long [s], milk flow [kg/min]. Zero: reading of the
        open claw [kPa]. Vent and decay: seconds to drain and the usual ones, air of the vent and the
        usual one [L/min], claw vacuum beyond the usual one [kPa]. Pulsation: swing and the usual
        one [kPa], rate and the usual one [1/min], 0 when there is none. Leak: air beyond the
        usual [L/min], claw vacuum under the usual one [kPa], milk flow [kg/min].
    """
    return _TEXTS[condition](figures)


def _frozen(f: Figures) -> str:
    while_ = "under vacuum" if f[0] > UNDER_VACUUM_KPA else f"while {f[2]:.1f} kg/min of milk flow"
    return f"the sensor reads {f[0]:.2f} kPa unchanged for {f[1]:.0f} s {while_}"


def _zero(f: Figures) -> str:
    return f"the claw reads {f[0]:+.2f} kPa while the unit hangs open, it should be 0 +- 0.5 kPa"


def _drain(f: Figures) -> str:
    return (
        f"draining to 10 kPa takes {f[0]:.1f} s after the shut-off, usually {f[1]:.1f} s;"
        f" net inflow about {f[2]:.1f} L/min, usually {f[3]:.1f}"
    )


def _vent(f: Figures) -> str:
    side = "above" if f[4] > 0.0 else "below"
    return f"{_drain(f)}; claw vacuum in milking {abs(f[4]):.1f} kPa {side} the usual one"


def _decay(f: Figures) -> str:
    return f"{_drain(f)}; claw vacuum in milking as usual"


def _pulsation(f: Figures) -> str:
    usual = f"usually {f[1]:.2f} kPa at {f[3]:.0f} a minute"
    if f[2] <= 0.0:
        return f"the claw's beat has gone: {f[0]:.2f} kPa, {usual}"
    return f"the claw beats {f[2]:.0f} times a minute with {f[0]:.2f} kPa, {usual}"


def _leak(f: Figures) -> str:
    more = "more than " if f[0] >= MOST_TOLD_L_MIN else "about "
    return (
        f"{more}{f[0]:.0f} L/min of air beyond the usual all through a milking: claw vacuum"
        f" {f[1]:.1f} kPa under the usual one at {f[2]:.1f} kg/min"
    )


_TEXTS: Final[dict[Condition, Callable[[Figures], str]]] = {
    Condition.SENSOR_FROZEN: _frozen,
    Condition.SENSOR_ZERO_OFF: _zero,
    Condition.VENT_BLOCKED: _vent,
    Condition.SLOW_VACUUM_DECAY: _decay,
    Condition.PULSATION_OFF: _pulsation,
    Condition.STEADY_LEAK: _leak,
}
