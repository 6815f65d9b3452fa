"""Units of the trade and their conversions to the units used inside (kPa, kg/min, L/min, mm).

Vacuum is positive below atmosphere. Free air is litres at local atmospheric pressure and ambient
temperature.
"""

from __future__ import annotations

from enum import StrEnum
from typing import Final

KPA_PER_INHG: Final = 3.386389
"""One conventional inch of mercury in kPa (NIST SP 811, appendix B.8: 3.386 389; value from memory)."""
KG_PER_LB: Final = 0.45359237
"""One avoirdupois pound in kg, exact by definition (international yard and pound agreement, 1959)."""
L_PER_CUBIC_FOOT: Final = 28.316846592
"""One cubic foot in litres, exact: (0.3048 m)**3."""
SEA_LEVEL_KPA: Final = 101.325
"""Standard atmosphere at sea level [kPa] (ISO 2533:1975)."""


class VacuumUnit(StrEnum):
    """Unit in which a parlor's devices send vacuum."""

    KPA = "kPa"
    INHG = "inHg"
    MBAR = "mbar"
    PSI = "psi"


class FlowUnit(StrEnum):
    """Unit in which a parlor's devices send milk flow."""

    KG_MIN = "kg_min"
    LB_MIN = "lb_min"
    G_S = "g_s"


KPA_PER_VACUUM_UNIT: Final = {
    VacuumUnit.KPA: 1.0,
    VacuumUnit.INHG: KPA_PER_INHG,
    VacuumUnit.MBAR: 0.1,
    VacuumUnit.PSI: 6.894757,
}
KG_MIN_PER_FLOW_UNIT: Final = {FlowUnit.KG_MIN: 1.0, FlowUnit.LB_MIN: KG_PER_LB, FlowUnit.G_S: 0.06}


def kpa_from_inhg(vacuum_inhg: float) -> float:
    """Convert vacuum from inches of mercury to kPa."""
    return vacuum_inhg * KPA_PER_INHG


def l_min_from_cfm(air_cfm: float) -> float:
    """Convert free air from cubic feet a minute to litres a minute."""
    return air_cfm * L_PER_CUBIC_FOOT


def kg_from_lb(mass_lb: float) -> float:
    """Convert mass from pounds to kg."""
    return mass_lb * KG_PER_LB


def atmosphere_kpa(altitude_m: float) -> float:
    """Return the standard atmospheric pressure at an altitude.

    The troposphere of ISO 2533:1975: ``p = 101.325 (1 - 2.25577e-5 h)**5.25588``.

    Parameters
    ----------
    altitude_m:
        Height above sea level [m], valid from -500 to 11 000.

    Returns
    -------
    float
        Absolute pressure [kPa].
    """
    return float(SEA_LEVEL_KPA * (1.0 - 2.25577e-5 * altitude_m) ** 5.25588)
