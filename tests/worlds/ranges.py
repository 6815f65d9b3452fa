"""What is drawn from which range: one set to look at while building, another one held out.

The held-out set is wider and in part elsewhere. All figures are engineering choices around the trade's usual
machines (common practice, no source) unless a comment says otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

Span = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Ranges:
    """Low and high ends; each stall, cow or event draws its own value uniformly."""

    ambient_kpa: Span = (97.0, 101.3)
    line_kpa: Span = (42.0, 46.0)
    rotation_s: Span = (430.0, 520.0)
    # pulsation
    beats_min: Span = (54.0, 62.0)
    ripple_kpa: Span = (1.5, 4.5)
    stroke_ml: Span = (6.0, 12.0)
    # unit
    vent_l_min: Span = (7.0, 12.0)
    claw_l: Span = (0.20, 0.32)
    claw_vent_l_min: Span = (5.0, 9.0)
    """Of a claw without a plug, which holds less gas: it too takes about a second to empty."""
    open_tube_l_min: Span = (750.0, 950.0)
    choke_kg_min: Span = (0.15, 0.25)
    tube_exponent: Span = (0.60, 0.80)
    drop_kpa_kg_min: Span = (0.2, 0.7)
    plug_volume_l: Span = (0.30, 0.50)
    bore_mm: Span = (14.0, 17.0)
    length_m: Span = (1.8, 2.8)
    lift_m: Span = (-0.9, 0.8)
    loss_k: Span = (4.5, 8.0)
    friction: Span = (0.025, 0.035)
    hold_up: Span = (0.45, 0.60)
    # milk
    yield_kg: Span = (8.0, 18.0)
    cow_speed: Span = (0.65, 1.25)
    letdown_s: Span = (0.0, 35.0)
    incline_s: Span = (8.0, 20.0)
    bimodal_share: float = 0.2
    slow_share: float = 0.04
    """Cows that give 1.7 times the milk and are not done within one round."""
    take_off_kg_min: Span = (0.2, 0.4)
    take_off_delay_s: Span = (5.0, 15.0)
    # events, per milking where it says share
    slips_per_100: Span = (45.0, 60.0)
    train_share: float = 0.25
    slip_log_sigma: float = 0.65
    slip_median_s: Span = (0.35, 0.55)
    slip_litres_median: float = 0.18
    fall_off_share: float = 0.02
    removal_share: float = 0.03
    support_share: Span = (0.05, 0.12)
    unnamed_share: float = 0.03
    empty_share: float = 0.06
    restless_share: float = 0.08
    # arm
    beat_over_noise: Span = (0.8, 1.6)
    """Amplitude of a taut cord's beat over the standard deviation of a sample's noise, for angle and cord."""
    beat_spread: float = 0.1
    """Spread of that amplitude from cow to cow; half of it within a milking."""
    angle_noise_deg: Span = (0.08, 0.18)
    cord_noise_mm: Span = (0.6, 1.4)
    # sensors
    noise_kpa: Span = (0.08, 0.25)
    offset_kpa: Span = (-0.4, 0.4)
    gain_error: Span = (-0.01, 0.01)
    clock_ms: Span = (-8.0, 8.0)
    lost_share: float = 0.01


TUNE: Final = Ranges()
HOLD: Final = Ranges(
    ambient_kpa=(88.0, 102.5),
    line_kpa=(39.0, 48.0),
    rotation_s=(400.0, 600.0),
    beats_min=(50.0, 65.0),
    ripple_kpa=(1.5, 6.0),
    stroke_ml=(4.0, 16.0),
    vent_l_min=(5.0, 15.0),
    claw_l=(0.16, 0.40),
    claw_vent_l_min=(4.0, 10.0),
    open_tube_l_min=(600.0, 1100.0),
    choke_kg_min=(0.10, 0.35),
    tube_exponent=(0.55, 1.0),
    drop_kpa_kg_min=(0.1, 1.2),
    plug_volume_l=(0.25, 0.60),
    bore_mm=(13.0, 19.0),
    length_m=(1.6, 3.2),
    lift_m=(-1.0, 1.5),
    loss_k=(3.5, 10.0),
    friction=(0.02, 0.04),
    hold_up=(0.40, 0.65),
    yield_kg=(6.0, 20.0),
    cow_speed=(0.5, 1.4),
    letdown_s=(0.0, 60.0),
    incline_s=(5.0, 25.0),
    bimodal_share=0.3,
    slow_share=0.08,
    slips_per_100=(20.0, 60.0),
    train_share=0.35,
    slip_log_sigma=0.75,
    slip_median_s=(0.3, 0.7),
    slip_litres_median=0.14,
    beat_over_noise=(0.6, 2.0),
    beat_spread=0.2,
    angle_noise_deg=(0.05, 0.2),
    cord_noise_mm=(0.4, 1.8),
    noise_kpa=(0.05, 0.4),
    offset_kpa=(-0.8, 0.8),
    gain_error=(-0.02, 0.02),
    clock_ms=(-20.0, 20.0),
)
SETS: Final = {"tune": TUNE, "hold": HOLD}


def draw(rng: np.random.Generator, span: Span) -> float:
    """Return one uniform value of a span."""
    return float(rng.uniform(*span))
